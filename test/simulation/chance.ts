import { crcMatches } from "../../packages/core/src/wire/datagram.js";

const FORM_MASK = 0x30;
const FORM_SHORT = 0x00;
const FORM_LONG = 0x10;
const LONG_HEAD_BYTES = 13;
/** Turns of the low half of a number that are tried: no run sends more from one side. */
const TURNS = 4;

/** The token pairs of one boot, as its long datagrams show them. */
export class TokenPairs {
  readonly #pairs = new Map<string, readonly [own: number, peer: number]>();

  /** A datagram that the boot sends. */
  note(datagram: Uint8Array): void {
    if (((datagram[0] ?? 0) & FORM_MASK) !== FORM_LONG || datagram.length < LONG_HEAD_BYTES) return;
    const view = new DataView(datagram.buffer, datagram.byteOffset, datagram.length);
    const [own, peer] = [view.getUint32(1), view.getUint32(5)];
    if (own !== 0 && peer !== 0) this.#pairs.set(`${own} ${peer}`, [own, peer]);
  }

  /**
   * Whether a short datagram that was meant for another boot passes the CRC-16 all the same, as one in
   * 65,536 does for each session whose opening was replayed too; PROTOCOL.md, section 2.4.
   */
  passes(datagram: Uint8Array): boolean {
    if (((datagram[0] ?? 0) & FORM_MASK) !== FORM_SHORT || datagram.length < 3) return false;
    const low = ((datagram[1] as number) << 8) | (datagram[2] as number);
    for (const [own, peer] of this.#pairs.values()) {
      for (let turn = 0; turn < TURNS; turn++)
        if (crcMatches(datagram, own, peer, turn * 0x10000 + low)) return true;
    }
    return false;
  }
}
