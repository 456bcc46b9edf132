import type { CaptureHead } from "./captured.js";
import { ADDRESS_BYTES_MAX } from "./pseudo-header.js";
import { bytesOfHex, hexOf } from "./text.js";

/** What a capture says of its link besides the name: `name=value`, with blanks between. */
export interface Description {
  readonly mtuBytes?: number;
  readonly startedAt?: Date;
  readonly localAddress?: Uint8Array;
}

export const MTU_BYTES_MIN = 20;
export const MTU_BYTES_MAX = 65_535;

/** For if_description: `fardel mtu=250 started=2026-04-18T03:20:00.000Z local=020000000001`. */
export function encodeDescription({ mtuBytes, startedAt, localAddress }: CaptureHead): string {
  const local = localAddress ? ` local=${hexOf(localAddress)}` : "";
  return `fardel mtu=${mtuBytes} started=${startedAt.toISOString()}${local}`;
}

/** What it does not know, and what is wrong, is passed over. */
export function decodeDescription(text: string): Description {
  const words = text.split(" ");
  if (words.shift() !== "fardel") return {};
  const values = new Map(
    words.map((word) => {
      const at = word.indexOf("=");
      return [word.slice(0, at), word.slice(at + 1)];
    }),
  );
  const mtu = values.get("mtu") ?? "";
  const mtuBytes = /^\d{1,5}$/.test(mtu) ? Number(mtu) : 0;
  const startedAt = new Date(values.get("started") ?? "");
  const localAddress = bytesOfHex(values.get("local") ?? "");
  const isAddress = localAddress && localAddress.length > 0;
  return {
    ...(mtuBytes >= MTU_BYTES_MIN && mtuBytes <= MTU_BYTES_MAX && { mtuBytes }),
    ...(!Number.isNaN(startedAt.getTime()) && { startedAt }),
    ...(isAddress && localAddress.length <= ADDRESS_BYTES_MAX && { localAddress }),
  };
}
