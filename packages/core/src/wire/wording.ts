/** Words and numbers for what stands in datagrams: the same for a line of text and for a table of fields. */

import { CLOSE_REASON } from "./close-frame.js";
import { serialAdd } from "./serial-number.js";
import { STOP_REASON } from "./stop-frame.js";

export const ASK_WORDS = ["none", "now", "next", "after next"] as const;
export const KIND_WORDS: Readonly<Record<number, string>> = {
  1: "announce",
  2: "query",
  3: "pair",
};
/** Bytes that are printed as they are: enough to recognise something by. */
const HEX_BYTES_MAX = 16;

/** Fragments that a map says have arrived, runs drawn together: `515–517 520`. */
export function arrivedRanges(next: number, map: Uint8Array): string {
  const ranges: string[] = [];
  const bits = map.length * 8;
  for (let bit = 0; bit < bits; bit++) {
    if (!mapBit(map, bit)) continue;
    const start = bit;
    while (bit + 1 < bits && mapBit(map, bit + 1)) bit++;
    const from = String(serialAdd(next, 1 + start));
    ranges.push(bit === start ? from : `${from}–${serialAdd(next, 1 + bit)}`);
  }
  return ranges.length === 0 ? "none" : ranges.join(" ");
}

function mapBit(map: Uint8Array, bit: number): boolean {
  return ((map[bit >> 3]! >> (7 - (bit & 7))) & 1) === 1;
}

export function stopReason(reason: number): string {
  switch (reason) {
    case STOP_REASON.tooLarge:
      return "too large";
    case STOP_REASON.notWanted:
      return "not wanted";
    case STOP_REASON.damaged:
      return "damaged";
    case STOP_REASON.noLongerRead:
      return "no longer read";
    default:
      return `reason ${reason}`;
  }
}

export function closeReason(reason: number): string {
  switch (reason) {
    case CLOSE_REASON.done:
      return "done";
    case CLOSE_REASON.shuttingDown:
      return "shutting down";
    case CLOSE_REASON.fault:
      return "fault";
    default:
      return `reason ${reason}`;
  }
}

export function hex(value: number, digits: number): string {
  return value.toString(16).padStart(digits, "0");
}

export function hexOf(bytes: Uint8Array): string {
  const shown = Array.from(bytes.subarray(0, HEX_BYTES_MAX), (byte) => hex(byte, 2));
  if (bytes.length > HEX_BYTES_MAX) shown.push("…");
  return shown.length === 0 ? "nothing" : shown.join(" ");
}

/** The same on every machine: no locale is asked. */
export function countBytes(count: number): string {
  const grouped = String(count).replace(/\B(?=(\d{3})+$)/g, ",");
  return count === 1 ? "1 byte" : `${grouped} bytes`;
}
