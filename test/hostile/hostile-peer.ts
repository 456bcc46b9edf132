import { decodeHead, type Frame } from "../../packages/core/src/wire/index.js";
import type { Shot, Vantage } from "./attack.js";
import { data, type ForgedHead, forge, HELLO, type Place } from "./forge.js";

/** How one datagram differs from the usual. */
export type SayOptions = Partial<ForgedHead> & { readonly pauseUs?: number };

/** A peer made by hand: it opens a session properly, and then says whatever it likes. */
export class HostilePeer {
  readonly token: number;
  /** Number of the next datagram. */
  number: number;
  /** The victim's token, 0 until it has answered. */
  victimToken = 0;
  readonly #received: readonly Uint8Array[];

  constructor(
    readonly vantage: Vantage,
    readonly address: Uint8Array,
  ) {
    this.token = vantage.random.integer(1, 0xffff_ffff);
    this.number = this.token >>> 16;
    this.#received = vantage.receiveAt(address);
  }

  /** Open a session and prove that we receive; tries until it is answered. */
  *meet(frames: readonly Frame[] = []): Generator<Shot, void> {
    while (!this.#learn()) {
      yield this.say([HELLO, ...frames], { tokenTo: 0, ask: 1, short: false, pauseUs: 20_000 });
    }
    yield this.say([], { short: false, pauseUs: 20_000 });
  }

  say(frames: readonly Frame[], options: SayOptions = {}): Shot {
    const { pauseUs = 0, ...head } = options;
    const datagram = forge(
      {
        tokenTo: this.victimToken,
        tokenFrom: this.token,
        number: head.number ?? this.number++,
        short: true,
        ...head,
      },
      frames,
    );
    return { from: this.address, datagram, pauseUs };
  }

  /** A fragment, counted from the first of the session. */
  fragment(
    channel: number,
    at: number,
    place: Place,
    bytes: Uint8Array,
    more: { total?: number; crc32?: number } = {},
  ): Frame {
    return data(channel, this.token + at, place, bytes, more);
  }

  /** Low 16 bits of the number of the newest datagram that the victim has sent here. */
  get heardLow(): number {
    const last = this.#received.at(-1);
    const head = last && decodeHead(last);
    if (!head?.ok) return 0;
    return head.value.form === "short" ? head.value.numberLow : head.value.number & 0xffff;
  }

  #learn(): boolean {
    for (const datagram of this.#received) {
      const head = decodeHead(datagram);
      if (head.ok && head.value.form === "long" && head.value.tokenTo === this.token)
        this.victimToken = head.value.tokenFrom;
    }
    return this.victimToken !== 0;
  }
}
