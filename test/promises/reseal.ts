import {
  ByteWriter,
  CRC_BYTES,
  crcMatches,
  decodeHead,
  sealDatagram,
} from "../../packages/core/src/wire/index.js";
import type { Taped } from "./stage.js";

interface Session {
  token: number;
  peerToken: number;
  numberLow: number;
}

/**
 * Somebody on the way who damages datagrams and mends their CRC-16: stands for the one damage in
 * 65,536 that it does not find (PROTOCOL.md, section 12). Learns tokens from long datagrams.
 */
export class Resealer {
  readonly #sessions = { a: fresh(), b: fresh() };

  /** The datagram with one bit flipped, this many bytes before its CRC. */
  damage({ bytes, from }: Taped, beforeEnd: number): Uint8Array {
    const own = this.#sessions[from];
    const head = decodeHead(bytes);
    if (!head.ok || head.value.form !== "short") return bytes;
    const number = this.#numberOf(bytes, head.value.numberLow, own);
    if (number < 0) return bytes;
    const copy = bytes.slice();
    const at = copy.length - CRC_BYTES - 1 - beforeEnd;
    copy[at] = (copy[at] ?? 0) ^ 0x04;
    const out = new ByteWriter(copy);
    out.at = copy.length - CRC_BYTES;
    return sealDatagram(out, own.peerToken, own.token, number);
  }

  /** Has to see every datagram. */
  learn({ bytes, from }: Taped): void {
    const head = decodeHead(bytes);
    if (!head.ok || head.value.form !== "long" || head.value.tokenFrom === 0) return;
    this.#sessions[from].token = head.value.tokenFrom;
    this.#sessions[from === "a" ? "b" : "a"].peerToken = head.value.tokenFrom;
  }

  /** Sessions are short here: the number lies within 2^16 of the token's upper half. */
  #numberOf(bytes: Uint8Array, low: number, own: Session): number {
    const start = own.token >>> 16;
    const number = start + ((low - start) & 0xffff);
    return crcMatches(bytes, own.peerToken, own.token, number) ? number : -1;
  }
}

function fresh(): Session {
  return { token: 0, peerToken: 0, numberLow: 0 };
}
