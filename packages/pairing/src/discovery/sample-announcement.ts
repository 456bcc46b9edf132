import type { Announcement } from "./announce-body.js";

/** What a board of the orchard says of itself, for tests; invented. */
export const ROW_STATION: Announcement = {
  version: 1,
  isInPairingMode: false,
  takesPlainSessions: true,
  takesProtectedSessions: true,
  ways: [],
  mtuBytes: 250,
  window: 8,
  messageBytesMax: 4096,
  kind: "row-station",
  name: "row 7",
};

/** The address of board number so-and-so, 0..65535. */
export function boardAddress(number: number): Uint8Array {
  return Uint8Array.of(2, 0, 0, 1, number >> 8, number & 0xff);
}
