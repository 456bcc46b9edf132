import type { Link, LinkHandlers } from "@fardel/core";
import { readDatagram } from "@fardel/core/wire";
import { type Airtime, airtimeUs, type LossyLink, type Observation } from "@fardel/lossy-link";
import { Column, float32s, float64s, uint8s, uint16s, uint32s } from "./column.js";
import { DATAGRAM_KINDS, type DatagramKind, type DatagramTable, FATE_NAMES } from "./record.js";
import { stationOf } from "./stations.js";

const COLLIDED = FATE_NAMES.indexOf("collided");
const DELIVERED = FATE_NAMES.indexOf("delivered");
const KIND_INDEX = Object.fromEntries(DATAGRAM_KINDS.map((kind, index) => [kind, index])) as Record<
  DatagramKind,
  number
>;

/** What a station handed to its link, one entry for each datagram; a radio may send it several times. */
class Outgoing {
  /** When it was through; infinite while it is not. */
  readonly doneUs = new Column(float64s);
  readonly kind = new Column(uint8s);
  /** Fragments of messages that the endpoint has put into the datagram it is making. */
  hasFirst = false;
  hasRepeat = false;
  hasCommand = false;
}

/** A datagram that was handed over, and what became of it. Rows are those of the sorted table. */
export interface Passage {
  /** When it was first on air; `NaN`: never. */
  readonly startUs: Float64Array;
  /** The row that arrived, or else the last one. */
  readonly row: Int32Array;
  /** When it first arrived whole; `NaN`: never. */
  readonly arrivedUs: Float64Array;
}

/**
 * Every datagram of a run at its receiver, in columns. It takes down what the medium tells when the
 * fate of each is known, which is not the order in which they were sent, and puts it in order at
 * the end.
 */
export class DatagramLog {
  readonly #airtime: Airtime;
  readonly #nowUs: () => number;
  readonly #outgoing: readonly Outgoing[];
  readonly #frame = new Column(float64s);
  readonly #leftUs = new Column(float64s);
  readonly #arrivedUs = new Column(float64s);
  readonly #from = new Column(uint16s);
  readonly #to = new Column(uint16s);
  readonly #fate = new Column(uint8s);
  readonly #isCopy = new Column(uint8s);
  readonly #rssiDbm = new Column(float32s);
  readonly #byteFrom = new Column(uint32s);
  readonly #bytes = new Column(uint8s);

  constructor(airtime: Airtime, stations: number, nowUs: () => number) {
    this.#airtime = airtime;
    this.#nowUs = nowUs;
    this.#outgoing = Array.from({ length: stations }, () => new Outgoing());
  }

  /** Rows so far. */
  get count(): number {
    return this.#frame.length;
  }

  /** Bytes in them. */
  get byteCount(): number {
    return this.#bytes.length;
  }

  // ---- while the run goes on

  /** The datagram that this station hands over next: its number in the station's own count. */
  nextOf(station: number): number {
    return this.#outgoing[station]!.kind.length;
  }

  /** A fragment goes into the datagram that the station is making. */
  noteFragment(station: number, isRepeat: boolean, isCommand: boolean): void {
    const outgoing = this.#outgoing[station]!;
    if (isCommand) outgoing.hasCommand = true;
    else if (isRepeat) outgoing.hasRepeat = true;
    else outgoing.hasFirst = true;
  }

  /** The same link, but what is handed to it and what it hears is noted. */
  watch(station: number, link: LossyLink): Link {
    const outgoing = this.#outgoing[station]!;
    return {
      mtuBytes: link.mtuBytes,
      outstandingMax: link.outstandingMax,
      localAddress: link.localAddress,
      ...(link.broadcastAddress && { broadcastAddress: link.broadcastAddress }),
      airtimeUs: (bytes) => link.airtimeUs(bytes),
      open: (handlers) => link.open(this.#listening(handlers)),
      send: (to, datagram, done) => {
        const index = outgoing.kind.length;
        outgoing.kind.push(KIND_INDEX[takeKind(outgoing, datagram)]);
        outgoing.doneUs.push(Number.POSITIVE_INFINITY);
        link.send(to, datagram, (outcome) => {
          outgoing.doneUs.set(index, this.#nowUs());
          done(outcome);
        });
      },
      close: () => link.close(),
    };
  }

  /** The medium tells the fate of a frame. */
  observe(observation: Observation): void {
    const { frame, leftAtUs, deliveredAtUs = Number.NaN, from, to, datagram, fate } = observation;
    this.#frame.push(frame);
    this.#leftUs.push(leftAtUs);
    this.#arrivedUs.push(deliveredAtUs);
    this.#from.push(stationOf(from));
    this.#to.push(stationOf(to));
    this.#fate.push(FATE_NAMES.indexOf(fate));
    this.#isCopy.push(observation.copy ? 1 : 0);
    this.#rssiDbm.push(Number.NaN);
    this.#byteFrom.push(this.#bytes.length);
    this.#bytes.append(datagram);
  }

  /** The medium tells of a delivery just before the receiver hears it: the last row is its own. */
  #listening(handlers: LinkHandlers): LinkHandlers {
    return {
      ...handlers,
      onDatagram: (from, datagram, info) => {
        if (info.rssiDbm !== undefined) this.#rssiDbm.set(this.count - 1, info.rssiDbm);
        handlers.onDatagram(from, datagram, info);
      },
      onStatus: (status) => handlers.onStatus?.(status),
    };
  }

  // ---- afterwards

  /** Everything in the order in which it went on air. */
  table(): { readonly datagrams: DatagramTable; readonly passages: readonly Passage[] } {
    const startUs = this.#starts();
    const order = this.#order();
    const datagrams = this.#sorted(startUs, order);
    const passages = this.#outgoing.map(({ kind }) => emptyPassage(kind.length));
    this.#followOutgoing(datagrams, order, passages);
    fillStrengths(datagrams);
    return { datagrams, passages };
  }

  /** Frames that collide begin together, and end for the medium when the longest of them does. */
  #starts(): Float64Array {
    const count = this.count;
    const startUs = new Float64Array(count);
    let row = 0;
    while (row < count) {
      let end = row + 1;
      let longestUs = this.#airUs(row);
      if (this.#fate.at(row) === COLLIDED) {
        for (; end < count && this.#collidedTogether(row, end); end++) {
          longestUs = Math.max(longestUs, this.#airUs(end));
        }
      }
      for (; row < end; row++) startUs[row] = this.#leftUs.at(row) - longestUs;
    }
    return startUs;
  }

  #collidedTogether(row: number, other: number): boolean {
    return this.#fate.at(other) === COLLIDED && this.#leftUs.at(other) === this.#leftUs.at(row);
  }

  #airUs(row: number): number {
    return airtimeUs(this.#airtime, this.#byteEnd(row) - this.#byteFrom.at(row));
  }

  #byteEnd(row: number): number {
    return row + 1 < this.count ? this.#byteFrom.at(row + 1) : this.#bytes.length;
  }

  /** The medium numbers frames as they go on air. */
  #order(): Uint32Array {
    const order = Uint32Array.from({ length: this.count }, (_, row) => row);
    const frame = this.#frame.view();
    const isCopy = this.#isCopy.view();
    return order.sort(
      (one, other) => frame[one]! - frame[other]! || isCopy[one]! - isCopy[other]! || one - other,
    );
  }

  #sorted(startUs: Float64Array, order: Uint32Array): DatagramTable {
    const { count } = this;
    const byteFrom = new Uint32Array(count + 1);
    const bytes = new Uint8Array(this.#bytes.length);
    const from = this.#bytes.view();
    for (let index = 0, at = 0; index < count; index++) {
      const row = order[index]!;
      const own = from.subarray(this.#byteFrom.at(row), this.#byteEnd(row));
      bytes.set(own, at);
      at += own.length;
      byteFrom[index + 1] = at;
    }
    return {
      count,
      startUs: Float64Array.from(order, (row) => startUs[row]!),
      leftUs: Float64Array.from(order, (row) => this.#leftUs.at(row)),
      arrivedUs: Float64Array.from(order, (row) => this.#arrivedUs.at(row)),
      from: Uint16Array.from(order, (row) => this.#from.at(row)),
      to: Uint16Array.from(order, (row) => this.#to.at(row)),
      fate: Uint8Array.from(order, (row) => this.#fate.at(row)),
      kind: new Uint8Array(count),
      isCopy: Uint8Array.from(order, (row) => this.#isCopy.at(row)),
      rssiDbm: Float32Array.from(order, (row) => this.#rssiDbm.at(row)),
      byteFrom,
      bytes,
    };
  }

  /**
   * Finds for each row which datagram of its sender it was. A station's datagrams leave one after
   * the other: what left the air up to the moment at which one was through, is that one.
   */
  #followOutgoing(
    datagrams: DatagramTable,
    order: Uint32Array,
    passages: readonly Passage[],
  ): void {
    const { count, from, leftUs, startUs, arrivedUs, fate, kind } = datagrams;
    const next = this.#outgoing.map(() => 0);
    const lastFrame = this.#outgoing.map(() => -1);
    for (let row = 0; row < count; row++) {
      const station = from[row]!;
      const { doneUs, kind: kinds } = this.#outgoing[station]!;
      const frame = this.#frame.at(order[row]!);
      let index = next[station]!;
      // Where frames take no time, several leave at one instant; none is repeated by a radio there.
      const isInstant = startUs[row] === leftUs[row];
      if (isInstant && lastFrame[station]! >= 0 && frame !== lastFrame[station]) index++;
      while (doneUs.at(index) < leftUs[row]!) index++;
      next[station] = index;
      lastFrame[station] = frame;
      kind[row] = kinds.at(index);
      enter(passages[station]!, index, row, startUs[row]!, fate[row]!, arrivedUs[row]!);
    }
  }
}

function enter(
  passage: Passage,
  index: number,
  row: number,
  startUs: number,
  fate: number,
  arrivedUs: number,
): void {
  if (Number.isNaN(passage.startUs[index]!)) passage.startUs[index] = startUs;
  const before = passage.arrivedUs[index]!;
  if (fate !== DELIVERED) {
    if (Number.isNaN(before)) passage.row[index] = row;
  } else if (Number.isNaN(before) || arrivedUs < before) {
    passage.row[index] = row;
    passage.arrivedUs[index] = arrivedUs;
  }
}

function emptyPassage(count: number): Passage {
  return {
    startUs: new Float64Array(count).fill(Number.NaN),
    row: new Int32Array(count).fill(-1),
    arrivedUs: new Float64Array(count).fill(Number.NaN),
  };
}

function takeKind(outgoing: Outgoing, datagram: Uint8Array): DatagramKind {
  const { hasCommand, hasFirst, hasRepeat } = outgoing;
  outgoing.hasCommand = outgoing.hasFirst = outgoing.hasRepeat = false;
  const frames = readDatagram(datagram)?.frames ?? [];
  if (frames.some(({ type }) => type === "hello")) return "opening";
  if (hasCommand) return "command";
  if (hasFirst) return "data";
  if (hasRepeat) return "repeat";
  return frames.some(({ type }) => type === "ack") ? "ack" : "other";
}

/** The strength of a way is the same for all its datagrams, also for those that were not heard. */
function fillStrengths({ count, from, to, rssiDbm }: DatagramTable): void {
  const known = new Map<number, number>();
  // Both ways are alike.
  const wayOf = (row: number) =>
    Math.min(from[row]!, to[row]!) * 65_536 + Math.max(from[row]!, to[row]!);
  for (let row = 0; row < count; row++) {
    if (!Number.isNaN(rssiDbm[row]!)) known.set(wayOf(row), rssiDbm[row]!);
  }
  if (known.size === 0) return;
  for (let row = 0; row < count; row++) {
    if (Number.isNaN(rssiDbm[row]!)) rssiDbm[row] = known.get(wayOf(row)) ?? Number.NaN;
  }
}
