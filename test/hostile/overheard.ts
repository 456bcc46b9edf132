import {
  CRC_BYTES,
  crcMatches,
  decodeFrames,
  decodeHead,
  type Frame,
} from "../../packages/core/src/wire/index.js";
import type { ForgedHead } from "./forge.js";

/** Who has sent a datagram between the victim and its good peer. */
export type Talker = "victim" | "good";

/** One datagram that was on the air, in full. */
export interface Heard {
  readonly from: Talker;
  readonly datagram: Uint8Array;
  readonly head: ForgedHead;
  readonly frames: readonly Frame[];
}

/** So many datagrams an eavesdropper keeps. */
const KEPT_MAX = 4096;

/** What somebody in range learns of one pair: both tokens, all numbers, every datagram. */
export class Overheard {
  readonly tape: Heard[] = [];
  /** Tokens of the newest session, 0 before it is known. */
  readonly token: Record<Talker, number> = { victim: 0, good: 0 };
  /** Greatest datagram number of each in that session, -1 before any. */
  readonly number: Record<Talker, number> = { victim: -1, good: -1 };
  isListening = false;

  /** To be called with each datagram of the pair. */
  note(from: Talker, datagram: Uint8Array): void {
    if (!this.isListening) return;
    const head = decodeHead(datagram);
    if (!head.ok) return;
    if (head.value.form === "long") this.#learn(from, head.value.tokenFrom, head.value.number);
    const to = from === "victim" ? "good" : "victim";
    const number =
      head.value.form === "long" ? head.value.number : this.#complete(from, head.value.numberLow);
    const tokenTo = head.value.form === "long" ? head.value.tokenTo : this.token[to];
    const tokenFrom = head.value.form === "long" ? head.value.tokenFrom : this.token[from];
    if (!crcMatches(datagram, tokenTo, tokenFrom, number)) return;
    this.number[from] = Math.max(this.number[from], number);
    const frames = decodeFrames(datagram, head.value.headBytes, datagram.length - CRC_BYTES);
    if (!frames.ok) return;
    const short = head.value.form === "short";
    const copy = datagram.slice();
    const again = decodeFrames(copy, head.value.headBytes, copy.length - CRC_BYTES);
    this.tape.push({
      from,
      datagram: copy,
      head: { tokenTo, tokenFrom, number, ask: head.value.ask, short },
      frames: again.ok ? again.value : [],
    });
    if (this.tape.length > 2 * KEPT_MAX) this.tape.splice(0, KEPT_MAX);
  }

  /** The newest datagram of this side that holds any frames, if there is one. */
  newest(from: Talker): Heard | undefined {
    for (let at = this.tape.length - 1; at >= 0; at--) {
      const heard = this.tape[at];
      if (heard?.from === from && heard.frames.length > 0) return heard;
    }
    return undefined;
  }

  #learn(from: Talker, token: number, number: number): void {
    if (token === 0 || token === this.token[from]) return;
    this.token[from] = token;
    this.number[from] = number;
  }

  /** Numbers never go far back on this air: the nearest that fits. */
  #complete(from: Talker, low: number): number {
    const highest = this.number[from];
    const distance = (low - highest) & 0xffff;
    return distance < 0x8000 ? highest + distance : highest + distance - 0x10000;
  }
}
