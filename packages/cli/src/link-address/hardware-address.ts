import type { Address } from "@fardel/core";
import { usageProblem } from "../problem.js";

/** Two hexadecimal digits for each byte, with colons between them: `02:00:00:00:00:0a`. */
const NOTATION = /^[0-9a-f]{1,2}(?:[:-][0-9a-f]{1,2})*$/i;

/**
 * A hardware address, written with colons or hyphens.
 * @returns `undefined` if it is none of that many bytes
 */
export function parseHardwareAddress(text: string, addressBytes: number): Address | undefined {
  if (!NOTATION.test(text)) return undefined;
  const bytes = text.split(/[:-]/).map((digits) => Number.parseInt(digits, 16));
  return bytes.length === addressBytes ? Uint8Array.from(bytes) : undefined;
}

/** @throws Problem that shows how one is written */
export function hardwareAddress(text: string, addressBytes: number): Address {
  const address = parseHardwareAddress(text, addressBytes);
  if (address && !address.every((byte) => byte === 0xff)) return address;
  const example = ["02", ...Array.from({ length: addressBytes - 1 }, () => "00")];
  const form = `${addressBytes} bytes with colons, such as ${example.join(":")}`;
  if (address) {
    throw usageProblem(`${text} is everybody's address. Name one peer: ${form}.`, "bad-address");
  }
  throw usageProblem(`${text} is no address on this link. Write ${form}.`, "bad-address");
}
