import type { TraceFact } from "@fardel/core";
import { Column, float64s, uint8s, uint16s, uint32s } from "./column.js";
import type { Passage } from "./datagram-log.js";
import { LOSS_CAUSES, type TransferRecord } from "./record.js";

/** By how much one 16-bit number lies behind another, -32768..32767 (RFC 1982, section 3.2). */
function signedDistance(from: number, to: number): number {
  return ((to - from) << 16) >> 16;
}

/** What a transfer comes to for those who wait for it. */
export interface TransferEnd {
  readonly handedOverUs: number;
  readonly deliveredUs: number;
  readonly endedUs: number;
  readonly outcome: string;
}

/** What an endpoint tells of the fragments of one message, which is alone on its channel. */
export class TransferLog {
  readonly #fragmentBytes = new Column(uint16s);
  readonly #acknowledgedUs = new Column(float64s);
  readonly #sendFragment = new Column(uint32s);
  /** In the sender's own count; see {@link Passage}. */
  readonly #sendDatagram = new Column(uint32s);
  readonly #sendIsRepeat = new Column(uint8s);
  readonly #lossUs = new Column(float64s);
  readonly #lossFragment = new Column(uint32s);
  readonly #lossCause = new Column(uint8s);
  readonly #windowUs = new Column(float64s);
  readonly #windowBase = new Column(uint32s);
  readonly #windowLimit = new Column(uint32s);
  /** Wire number of the fragment that comes after all that were cut. */
  #nextNumber: number | undefined;
  /** Windows that were told before the first fragment: only the last one counts. */
  #firstWindow: { atUs: number; next: number; limit: number } | undefined;
  #isNewSession = false;

  constructor(
    readonly from: number,
    readonly to: number,
    readonly channel: number,
    readonly bytes: number,
  ) {}

  /** The session is over: if the message goes on, it is cut anew. */
  endSession(): void {
    this.#isNewSession = true;
  }

  /** @param datagram - that the sender is making, in its own count */
  note(fact: Exclude<TraceFact, { type: "probe-sent" }>, atUs: number, datagram: number): void {
    switch (fact.type) {
      case "fragment-sent":
        this.#noteSent(fact.fragment, fact.bytes, fact.isRepeat, datagram);
        if (this.#firstWindow !== undefined) this.#noteFirstWindow(this.#firstWindow);
        break;
      case "fragment-acknowledged":
        this.#acknowledgedUs.set(this.#indexOf(fact.fragment), atUs);
        break;
      case "fragment-lost":
        this.#lossUs.push(atUs);
        this.#lossFragment.push(this.#indexOf(fact.fragment));
        this.#lossCause.push(LOSS_CAUSES.indexOf(fact.cause));
        break;
      case "window-told": {
        const { next, limit } = fact;
        if (this.#nextNumber === undefined || this.#isNewSession) {
          this.#firstWindow = { atUs, next, limit };
        } else this.#noteWindow(atUs, next, limit);
        break;
      }
    }
  }

  /** @param passage - of the sender's datagrams */
  record(passage: Passage, end: TransferEnd): TransferRecord {
    const fragmentCount = this.#fragmentBytes.length;
    const sentUs = new Float64Array(fragmentCount).fill(Number.NaN);
    const arrivedUs = new Float64Array(fragmentCount).fill(Number.NaN);
    const sends = {
      atUs: new Column(float64s),
      fragment: new Column(uint32s),
      datagram: new Column(uint32s),
      isRepeat: new Column(uint8s),
    };
    for (let send = 0; send < this.#sendFragment.length; send++) {
      const datagram = this.#sendDatagram.at(send);
      const atUs = passage.startUs[datagram] ?? Number.NaN;
      // It was cut while the datagram waited for the air.
      if (Number.isNaN(atUs)) continue;
      const fragment = this.#sendFragment.at(send);
      sends.atUs.push(atUs);
      sends.fragment.push(fragment);
      sends.datagram.push(passage.row[datagram]!);
      sends.isRepeat.push(this.#sendIsRepeat.at(send));
      if (Number.isNaN(sentUs[fragment]!)) sentUs[fragment] = atUs;
      const cameUs = passage.arrivedUs[datagram]!;
      if (!(arrivedUs[fragment]! <= cameUs) && !Number.isNaN(cameUs)) arrivedUs[fragment] = cameUs;
    }
    return {
      from: this.from,
      to: this.to,
      bytes: this.bytes,
      channel: this.channel,
      fragmentCount,
      fragmentBytes: this.#fragmentBytes.taken(),
      sentUs,
      arrivedUs,
      acknowledgedUs: this.#acknowledgedUs.taken(),
      sends: {
        atUs: sends.atUs.taken(),
        fragment: sends.fragment.taken(),
        datagram: sends.datagram.taken(),
        isRepeat: sends.isRepeat.taken(),
      },
      losses: {
        atUs: this.#lossUs.taken(),
        fragment: this.#lossFragment.taken(),
        cause: this.#lossCause.taken(),
      },
      window: this.#windowRecord(fragmentCount),
      ...end,
    };
  }

  #noteSent(number: number, bytes: number, isRepeat: boolean, datagram: number): void {
    if (!isRepeat) this.#noteCut(number, bytes);
    this.#sendFragment.push(this.#indexOf(number));
    this.#sendDatagram.push(datagram);
    this.#sendIsRepeat.push(isRepeat ? 1 : 0);
  }

  #noteCut(number: number, bytes: number): void {
    if (this.#isNewSession) this.#beginAnew();
    if (this.#nextNumber !== undefined && number !== this.#nextNumber) {
      // Cut anew, since the peer takes less at once than was thought (PROTOCOL.md, section 5.2).
      const index = this.#indexOf(number);
      this.#fragmentBytes.cut(index);
      this.#acknowledgedUs.cut(index);
    }
    this.#fragmentBytes.push(bytes);
    this.#acknowledgedUs.push(Number.NaN);
    this.#nextNumber = (number + 1) & 0xffff;
  }

  /** What was sent in the session before counts for nothing at the receiver: it is forgotten here, too. */
  #beginAnew(): void {
    this.#isNewSession = false;
    this.#nextNumber = undefined;
    for (const column of [
      this.#fragmentBytes,
      this.#acknowledgedUs,
      this.#sendFragment,
      this.#sendDatagram,
      this.#sendIsRepeat,
      this.#lossUs,
      this.#lossFragment,
      this.#lossCause,
      this.#windowUs,
      this.#windowBase,
      this.#windowLimit,
    ]) {
      column.cut(0);
    }
  }

  #noteFirstWindow({ atUs, next, limit }: { atUs: number; next: number; limit: number }): void {
    this.#firstWindow = undefined;
    this.#noteWindow(atUs, next, limit);
  }

  #noteWindow(atUs: number, next: number, limit: number): void {
    this.#windowUs.push(atUs);
    const base = Math.max(0, this.#indexOf(next));
    this.#windowBase.push(base);
    this.#windowLimit.push(base + ((limit - next) & 0xffff));
  }

  /** Place in the message of a fragment with this number on the wire. */
  #indexOf(number: number): number {
    return this.#fragmentBytes.length + signedDistance(this.#nextNumber ?? number, number);
  }

  /** Beyond the end of the message there is nothing to send. */
  #windowRecord(fragmentCount: number): TransferRecord["window"] {
    return {
      atUs: this.#windowUs.taken(),
      base: this.#windowBase.taken().map((base) => Math.min(base, fragmentCount)),
      limit: this.#windowLimit.taken().map((limit) => Math.min(limit, fragmentCount)),
    };
  }
}
