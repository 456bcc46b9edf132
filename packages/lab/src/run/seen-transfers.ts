import { type AckFrame, type DataFrame, serialAfter } from "@fardel/core/wire";
import { Column, float64s, uint8s, uint16s, uint32s } from "./column.js";
import type { TransferRecord } from "./record.js";

/** A window reaches so far at most (PROTOCOL.md, section 5.2): what lies farther off is no fragment of it. */
const WINDOW_MAX = 255;
/** Messages of one channel whose fragments may still be repeated. */
const OPEN_MAX = 16;
/** Where nothing is sent by itself but urgent messages: PROTOCOL.md, section 5.1. */
const URGENT_CHANNELS = [2, 15];
const COMMAND_BYTES_MAX = 64;

/** What a fragment is: a command's, or another message's for the first time or again. */
export type FragmentKind = "command" | "first" | "repeat";

/** One message of several fragments, as it shows in datagrams. */
class SeenTransfer {
  readonly fragmentBytes = new Column(uint16s);
  readonly sentUs = new Column(float64s);
  readonly arrivedUs = new Column(float64s);
  readonly acknowledgedUs = new Column(float64s);
  /** When the last datagram that carried it had left. */
  readonly leftUs = new Column(float64s);
  readonly sendUs = new Column(float64s);
  readonly sendFragment = new Column(uint32s);
  readonly sendDatagram = new Column(uint32s);
  readonly sendIsRepeat = new Column(uint8s);
  readonly windowUs = new Column(float64s);
  readonly windowBase = new Column(uint32s);
  readonly windowLimit = new Column(uint32s);
  /** Fragments known to exist; final once the last one was seen. */
  count = 0;
  isCounted = false;
  /** All before this one are acknowledged. */
  acknowledgedTo = 0;

  constructor(
    readonly from: number,
    readonly to: number,
    readonly channel: number,
    /** Wire number of its first fragment. */
    readonly firstNumber: number,
    readonly totalBytes: number,
  ) {}

  /** Place of a wire number, near the fragments seen so far; `undefined`: it is of another message. */
  indexOf(number: number): number | undefined {
    const next = (this.firstNumber + this.count) & 0xffff;
    const index = this.count + (((number - next) << 16) >> 16);
    const isNear = index >= 0 && index <= this.count + WINDOW_MAX;
    return isNear && !(this.isCounted && index >= this.count) ? index : undefined;
  }

  /** Makes room up to an index; what was not seen is empty. */
  reach(index: number): void {
    while (this.count <= index) {
      this.fragmentBytes.push(0);
      for (const column of [this.sentUs, this.arrivedUs, this.acknowledgedUs, this.leftUs]) {
        column.push(Number.NaN);
      }
      this.count++;
    }
  }

  get isCommand(): boolean {
    const { totalBytes, channel } = this;
    return isUrgent(channel) && totalBytes > 0 && totalBytes <= COMMAND_BYTES_MAX;
  }

  acknowledge(index: number, atUs: number): void {
    if (index >= this.count || !Number.isNaN(this.acknowledgedUs.at(index))) return;
    this.acknowledgedUs.set(index, atUs);
    // Only its sender was heard: it arrived before the ack, with one of its sendings.
    if (Number.isNaN(this.arrivedUs.at(index))) {
      const leftUs = this.leftUs.at(index);
      this.arrivedUs.set(index, Number.isNaN(leftUs) ? atUs : Math.min(leftUs, atUs));
    }
  }

  record(): TransferRecord {
    const arrivedUs = this.arrivedUs.taken();
    const acknowledgedUs = this.acknowledgedUs.taken();
    const isWhole = this.isCounted && arrivedUs.every((us) => !Number.isNaN(us));
    const isKnown = this.isCounted && acknowledgedUs.every((us) => !Number.isNaN(us));
    const sum = this.fragmentBytes.view().reduce((total, bytes) => total + bytes, 0);
    return {
      from: this.from,
      to: this.to,
      bytes: this.totalBytes || sum,
      channel: this.channel,
      fragmentCount: this.count,
      fragmentBytes: this.fragmentBytes.taken(),
      sentUs: this.sentUs.taken(),
      arrivedUs,
      acknowledgedUs,
      sends: {
        atUs: this.sendUs.taken(),
        fragment: this.sendFragment.taken(),
        datagram: this.sendDatagram.taken(),
        isRepeat: this.sendIsRepeat.taken(),
      },
      losses: { atUs: new Float64Array(0), fragment: new Uint32Array(0), cause: new Uint8Array(0) },
      window: {
        atUs: this.windowUs.taken(),
        base: this.windowBase.taken(),
        limit: this.windowLimit.taken().map((limit) => Math.min(limit, this.count)),
      },
      handedOverUs: this.sendUs.length > 0 ? this.sendUs.at(0) : 0,
      deliveredUs: isWhole ? latest(arrivedUs) : Number.NaN,
      endedUs: isKnown ? latest(acknowledgedUs) : Number.NaN,
      outcome: isKnown || isWhole ? "delivered" : "unknown",
    };
  }
}

/** When and how a datagram passed; see the table of datagrams. */
export interface Passed {
  readonly row: number;
  readonly startUs: number;
  readonly leftUs: number;
  /** `NaN`: it did not arrive, or nobody knows. */
  readonly arrivedUs: number;
  readonly from: number;
  readonly to: number;
}

/** Puts messages together again from the fragments and acks in datagrams. */
export class SeenTransfers {
  readonly #all: SeenTransfer[] = [];
  /** The newest ones of each sender, receiver and channel, the newest first. */
  readonly #open = new Map<string, SeenTransfer[]>();
  /** The highest fragment number of each. */
  readonly #highest = new Map<string, number>();

  /** A session begins: fragments are numbered anew. */
  forget(from: number, to: number): void {
    for (let channel = 0; channel < 16; channel++) {
      this.#open.delete(keyOf(from, to, channel));
      this.#highest.delete(keyOf(from, to, channel));
    }
  }

  /** A fragment, in the order in which they left. */
  noteData(frame: DataFrame, passed: Passed): { kind: FragmentKind; isRepeat: boolean } {
    const { from, to } = passed;
    const { channel, fragment, first, last } = frame;
    const key = keyOf(from, to, channel);
    const highest = this.#highest.get(key);
    const isRepeat = highest !== undefined && !serialAfter(fragment, highest);
    if (!isRepeat) this.#highest.set(key, fragment);
    const plain = isRepeat ? "repeat" : "first";
    if (first && last) {
      const isCommand = isUrgent(channel) && frame.bytes.length <= COMMAND_BYTES_MAX;
      return { kind: isCommand ? "command" : plain, isRepeat };
    }
    if (first && !isRepeat) this.#begin(key, frame, passed);
    const found = this.#find(key, fragment);
    if (found === undefined) return { kind: plain, isRepeat };
    enter(found.transfer, found.index, frame, passed, isRepeat);
    return { kind: found.transfer.isCommand ? "command" : plain, isRepeat };
  }

  /**
   * A datagram comes once more, as a copy or repeated by a radio: that is no new sending.
   * @param before - its first row
   */
  noteDataAgain(frame: DataFrame, before: number, { row, from, to, arrivedUs }: Passed): void {
    const found = this.#find(keyOf(from, to, frame.channel), frame.fragment);
    if (found === undefined || Number.isNaN(arrivedUs)) return;
    const { transfer, index } = found;
    if (index >= transfer.count) return;
    const isFirst = Number.isNaN(transfer.arrivedUs.at(index));
    if (!(transfer.arrivedUs.at(index) <= arrivedUs)) transfer.arrivedUs.set(index, arrivedUs);
    if (!isFirst) return;
    for (let send = transfer.sendDatagram.length - 1; send >= 0; send--) {
      if (transfer.sendDatagram.at(send) < before) return;
      if (transfer.sendDatagram.at(send) === before) transfer.sendDatagram.set(send, row);
    }
  }

  /** An ack comes to the sender of a message. */
  noteAck(frame: AckFrame, { from, to, arrivedUs }: Passed): void {
    if (Number.isNaN(arrivedUs)) return;
    for (const transfer of this.#open.get(keyOf(to, from, frame.channel)) ?? []) {
      acknowledge(transfer, frame, arrivedUs);
    }
  }

  #begin(key: string, { channel, fragment, total }: DataFrame, { from, to }: Passed): void {
    const transfer = new SeenTransfer(from, to, channel, fragment, total);
    this.#all.push(transfer);
    const open = this.#open.get(key) ?? [];
    this.#open.set(key, [transfer, ...open.slice(0, OPEN_MAX - 1)]);
  }

  /** The message that a fragment belongs to. */
  #find(key: string, fragment: number): { transfer: SeenTransfer; index: number } | undefined {
    for (const transfer of this.#open.get(key) ?? []) {
      const index = transfer.indexOf(fragment);
      if (index !== undefined) return { transfer, index };
    }
    return undefined;
  }

  records(): TransferRecord[] {
    return this.#all.filter(({ isCommand }) => !isCommand).map((transfer) => transfer.record());
  }
}

function acknowledge(transfer: SeenTransfer, frame: AckFrame, atUs: number): void {
  const { count, firstNumber, acknowledgedTo } = transfer;
  const next = (firstNumber + count) & 0xffff;
  // What lies beyond the message acknowledges all of it.
  const base = Math.min(count, count + (((frame.next - next) << 16) >> 16));
  if (base < acknowledgedTo) return;
  for (let index = acknowledgedTo; index < base; index++) transfer.acknowledge(index, atUs);
  const wasOver = transfer.isCounted && acknowledgedTo === count;
  transfer.acknowledgedTo = base;
  if (wasOver) return;
  for (let bit = 0; bit < 8 * frame.map.length; bit++) {
    const isThere = ((frame.map[bit >> 3]! >> (7 - (bit & 7))) & 1) === 1;
    if (isThere) transfer.acknowledge(base + 1 + bit, atUs);
  }
  transfer.windowUs.push(atUs);
  transfer.windowBase.push(base);
  transfer.windowLimit.push(base + frame.window);
}

function isUrgent(channel: number): boolean {
  return URGENT_CHANNELS.includes(channel);
}

function enter(
  transfer: SeenTransfer,
  index: number,
  frame: DataFrame,
  passed: Passed,
  isRepeat: boolean,
): void {
  const { row, startUs, leftUs, arrivedUs } = passed;
  transfer.reach(index);
  if (frame.last) transfer.isCounted = true;
  transfer.fragmentBytes.set(index, frame.bytes.length);
  if (Number.isNaN(transfer.sentUs.at(index))) transfer.sentUs.set(index, startUs);
  const before = transfer.arrivedUs.at(index);
  if (!Number.isNaN(arrivedUs) && !(before <= arrivedUs)) transfer.arrivedUs.set(index, arrivedUs);
  transfer.leftUs.set(index, leftUs);
  transfer.sendUs.push(startUs);
  transfer.sendFragment.push(index);
  transfer.sendDatagram.push(row);
  transfer.sendIsRepeat.push(isRepeat ? 1 : 0);
}

function keyOf(from: number, to: number, channel: number): string {
  return `${from} ${to} ${channel}`;
}

function latest(column: Float64Array): number {
  return column.reduce((most, us) => Math.max(most, us), 0);
}
