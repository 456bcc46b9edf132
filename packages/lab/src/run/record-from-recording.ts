import { type ReadDatagram, readDatagram } from "@fardel/core/wire";
import { airtimeUs, presets } from "@fardel/lossy-link";
import { Column, float32s, float64s, uint8s, uint16s, uint32s } from "./column.js";
import { departuresOf } from "./departures.js";
import { toHex } from "./hex.js";
import { NoteLog } from "./note-log.js";
import {
  DATAGRAM_KINDS,
  type DatagramKind,
  type DatagramTable,
  FATE_NAMES,
  type RunFigures,
  type RunRecord,
  type StationRecord,
  type TransferRecord,
} from "./record.js";
import { type End, type Recording, readRecording, type Sighting, sameBytes } from "./recording.js";
import { type Passed, SeenTransfers } from "./seen-transfers.js";
import { capitalised, counted, inBytes, inSeconds } from "./words.js";

/** Nobody in particular, in the columns of the table. */
const NOBODY = 0xffff;
/** Stations that are told apart; datagrams of further ones have nobody at their other end. */
const STATIONS_MAX = 1_000;
/**
 * A recording as something to look at: a capture (pcapng) or the text of `fardel … --record`. Seen from
 * one side, what became of the datagrams it sent is `pending`, and of what was sent to it only that shows
 * which arrived. A recording does not tell the time on air: each datagram is drawn as long as it takes on
 * the reference channel, or less where the one before has not ended.
 *
 * @returns the record, and what could not be read, in sentences
 * @throws LabError `not-a-recording`
 */
export function recordFromCapture(bytes: Uint8Array): { record: RunRecord; faults: string[] } {
  const recording = readRecording(bytes);
  return { record: new Builder(recording).record(), faults: [...recording.faults] };
}

interface SeenDatagram {
  readonly row: number;
  readonly bytes: Uint8Array;
}

class Builder {
  readonly #recording: Recording;
  readonly #stations: StationRecord[] = [];
  readonly #stationOf = new Map<string, number>();
  readonly #transfers = new SeenTransfers();
  readonly #notes = new NoteLog();
  readonly #kind = new Column(uint8s);
  /** Datagrams by the lower half of their number, by way. */
  readonly #seen = new Map<string, Map<number, SeenDatagram>>();
  /** The sender's token of the last opening, by way. */
  readonly #tokens = new Map<string, number>();
  #fragmentsSent = 0;
  #fragmentsRepeated = 0;

  constructor(recording: Recording) {
    this.#recording = recording;
    const local = recording.localAddress ?? busiest(recording.sightings);
    const here = local === undefined ? "" : inPairs(toHex(local));
    this.#stations.push({ name: "this side", address: here, distanceM: undefined });
    if (local !== undefined) this.#stationOf.set(toHex(local), 0);
    this.#numberStations();
  }

  record(): RunRecord {
    const datagrams = this.#table();
    const transfers = this.#transfers.records();
    const endUs = latestOf(datagrams);
    this.#noteTransfers(transfers);
    const { link, sightings } = this.#recording;
    const what = counted(sightings.length, "datagram");
    return {
      settings: undefined,
      stations: this.#stations,
      endUs,
      outcome: "done",
      ending: `A recording of ${link}: ${what} in ${inSeconds(endUs)}.`,
      datagrams,
      transfers,
      notes: this.#notes.record([], endUs),
      outagesUs: [],
      figures: this.#figures(datagrams, transfers, endUs),
    };
  }

  #table(): DatagramTable {
    const { sightings, holes } = this.#recording;
    const startUs = new Column(float64s);
    const leftUs = new Column(float64s);
    const arrivedUs = new Column(float64s);
    const from = new Column(uint16s);
    const to = new Column(uint16s);
    const fate = new Column(uint8s);
    const isCopy = new Column(uint8s);
    const rssiDbm = new Column(float32s);
    const byteFrom = new Column(uint32s);
    const bytes = new Column(uint8s);
    const { airtime } = presets.reference();
    const departures = departuresOf(sightings);
    const first = departures[0]!;
    const zeroUs = first.leftUs - airtimeUs(airtime, first.sighting.bytes.length);
    let beforeUs = 0;
    for (const [row, { sighting, leftUs: goneUs }] of departures.entries()) {
      const atUs = goneUs - zeroUs;
      const isThere = sighting.fate === "delivered" || sighting.fate === "corrupted";
      const ends = { from: this.#station(sighting.from), to: this.#station(sighting.to) };
      const beganUs = Math.max(beforeUs, atUs - airtimeUs(airtime, sighting.bytes.length));
      const cameUs = isThere ? sighting.atUs - zeroUs : Number.NaN;
      beforeUs = atUs;
      startUs.push(beganUs);
      leftUs.push(atUs);
      arrivedUs.push(cameUs);
      from.push(ends.from);
      to.push(ends.to);
      fate.push(FATE_NAMES.indexOf(sighting.fate));
      isCopy.push(sighting.isCopy ? 1 : 0);
      rssiDbm.push(sighting.rssiDbm ?? Number.NaN);
      byteFrom.push(bytes.length);
      bytes.append(sighting.bytes);
      const passed = { row, startUs: beganUs, leftUs: atUs, arrivedUs: cameUs, ...ends };
      this.#kind.push(DATAGRAM_KINDS.indexOf(this.#read(sighting, passed)));
    }
    byteFrom.push(bytes.length);
    for (const { atUs, count } of holes) {
      const text = `From here on ${counted(count, "datagram")} passed that the recording does not hold.`;
      this.#notes.add({ atUs: atUs - zeroUs, kind: "trouble", text, station: undefined });
    }
    return {
      count: sightings.length,
      startUs: startUs.taken(),
      leftUs: leftUs.taken(),
      arrivedUs: arrivedUs.taken(),
      from: from.taken(),
      to: to.taken(),
      fate: fate.taken(),
      kind: this.#kind.taken(),
      isCopy: isCopy.taken(),
      rssiDbm: rssiDbm.taken(),
      byteFrom: byteFrom.taken(),
      bytes: bytes.taken(),
    };
  }

  /** Takes down what is in a datagram. @returns what it is for */
  #read({ bytes, fate }: Sighting, passed: Passed): DatagramKind {
    // What is known to be damaged says nothing.
    const read = fate === "corrupted" ? undefined : readDatagram(bytes);
    if (read === undefined) return "other";
    const before = this.#seenBefore(read, bytes, passed);
    if (before !== undefined) return this.#readAgain(read, before, passed);
    const isOpening = read.frames.some(({ type }) => type === "hello");
    if (isOpening) this.#noteHello(read, passed);
    let hasAck = false;
    let hasFirst = false;
    let hasRepeat = false;
    let hasCommand = false;
    for (const frame of read.frames) {
      if (frame.type === "ack") {
        hasAck = true;
        this.#transfers.noteAck(frame, passed);
      } else if (frame.type === "data") {
        const { kind, isRepeat } = this.#transfers.noteData(frame, passed);
        if (isRepeat) this.#fragmentsRepeated++;
        else this.#fragmentsSent++;
        hasCommand ||= kind === "command";
        hasRepeat ||= kind === "repeat";
        hasFirst ||= kind === "first";
      } else if (frame.type === "close") {
        this.#noteClose(passed);
      }
    }
    if (isOpening) return "opening";
    if (hasCommand) return "command";
    if (hasFirst) return "data";
    if (hasRepeat) return "repeat";
    return hasAck ? "ack" : "other";
  }

  /** The same datagram once more: a copy, or the sender's radio repeats it. */
  #readAgain({ frames }: ReadDatagram, before: SeenDatagram, passed: Passed): DatagramKind {
    for (const frame of frames) {
      if (frame.type === "data") this.#transfers.noteDataAgain(frame, before.row, passed);
      else if (frame.type === "ack") this.#transfers.noteAck(frame, passed);
    }
    return this.#kindOfRow(before.row);
  }

  /** A sender never uses a number again in a session; but the short form carries the half of it. */
  #seenBefore({ head }: ReadDatagram, bytes: Uint8Array, { row, from, to }: Passed) {
    const low = head.form === "long" ? head.number & 0xffff : head.numberLow;
    const key = `${from} ${to}`;
    const seen = this.#seen.get(key) ?? new Map<number, SeenDatagram>();
    this.#seen.set(key, seen);
    const before = seen.get(low);
    if (before !== undefined && sameBytes(before.bytes, bytes)) return before;
    seen.set(low, { row, bytes });
    return undefined;
  }

  #kindOfRow(row: number): DatagramKind {
    return DATAGRAM_KINDS[this.#kind.at(row)]!;
  }

  /** A token that was not seen before: fragments are numbered anew. */
  #noteHello({ head }: ReadDatagram, { from, to, leftUs }: Passed): void {
    if (head.form !== "long") return;
    const way = `${from} ${to}`;
    if (this.#tokens.get(way) === head.tokenFrom) return;
    this.#tokens.set(way, head.tokenFrom);
    this.#transfers.forget(from, to);
    const [who, whom] = [capitalised(this.#words(from)), this.#words(to)];
    const isAnswer = head.tokenTo !== 0;
    const text = isAnswer ? `${who} answers ${whom}.` : `${who} opens a session with ${whom}.`;
    const station = from === 0 ? to : from;
    this.#notes.add({ atUs: leftUs, kind: "session", text, station: boardOf(station) });
  }

  #noteClose({ from, to, leftUs }: Passed): void {
    const text = `${capitalised(this.#words(from))} closes the session with ${this.#words(to)}.`;
    const station = from === 0 ? to : from;
    this.#notes.add({ atUs: leftUs, kind: "session", text, station: boardOf(station) });
  }

  #noteTransfers(transfers: readonly TransferRecord[]): void {
    for (const { from, to, bytes, handedOverUs, deliveredUs } of transfers) {
      const station = boardOf(from === 0 ? to : from);
      const begun = `${capitalised(this.#words(from))} begins to send ${inBytes(bytes)} to ${this.#words(to)}.`;
      this.#notes.add({ atUs: handedOverUs, kind: "transfer", text: begun, station });
      if (Number.isNaN(deliveredUs)) continue;
      const text = `${capitalised(this.#words(to))} has the whole message, after ${inSeconds(deliveredUs - handedOverUs)}.`;
      this.#notes.add({ atUs: deliveredUs, kind: "transfer", text, station });
    }
  }

  #figures(
    { count, startUs, fate, isCopy, leftUs }: DatagramTable,
    transfers: readonly TransferRecord[],
    endUs: number,
  ): RunFigures {
    const whole = transfers.filter(({ deliveredUs }) => !Number.isNaN(deliveredUs));
    const deliveredBytes = whole.reduce((sum, { bytes }) => sum + bytes, 0);
    const firstUs = transfers.reduce((first, each) => Math.min(first, each.handedOverUs), endUs);
    const lastUs = whole.reduce((last, each) => Math.max(last, each.deliveredUs), firstUs);
    const elapsedUs = lastUs - firstUs;
    let datagramsLost = 0;
    let airtime = 0;
    let onAir = 0;
    for (let row = 0; row < count; row++) {
      if (isCopy[row] === 1) continue;
      const name = FATE_NAMES[fate[row]!]!;
      if (name !== "delivered" && name !== "pending" && name !== "filtered") datagramsLost++;
      airtime += leftUs[row]! - startUs[row]!;
      onAir++;
    }
    return {
      elapsedUs,
      deliveredBytes,
      goodputBytesPerS: elapsedUs > 0 ? (deliveredBytes * 1e6) / elapsedUs : 0,
      limitBytesPerS: undefined,
      efficiency: undefined,
      datagramsOnAir: onAir,
      datagramsLost,
      fragmentsSent: this.#fragmentsSent,
      fragmentsRepeated: this.#fragmentsRepeated,
      airtimeUs: airtime,
      commandTimesUs: [],
    };
  }

  /** In the order of their addresses, whoever spoke first. */
  #numberStations(): void {
    const keys = new Set<string>();
    for (const { from, to } of this.#recording.sightings) {
      for (const end of [from, to]) {
        if (end instanceof Uint8Array && keys.size < STATIONS_MAX) keys.add(toHex(end));
      }
    }
    for (const key of [...keys].sort()) {
      if (this.#stationOf.has(key)) continue;
      const address = inPairs(key);
      this.#stationOf.set(key, this.#stations.length);
      this.#stations.push({ name: address, address, distanceM: undefined });
    }
  }

  #station(end: End): number {
    if (end === undefined) return NOBODY;
    return end === "here" ? 0 : (this.#stationOf.get(toHex(end)) ?? NOBODY);
  }

  #words(station: number): string {
    return this.#stations[station]?.name ?? "somebody";
  }
}

function latestOf({ count, leftUs, arrivedUs }: DatagramTable): number {
  let latestUs = 0;
  for (let row = 0; row < count; row++) {
    latestUs = Math.max(latestUs, leftUs[row]!);
    if (arrivedUs[row]! > latestUs) latestUs = arrivedUs[row]!;
  }
  return latestUs;
}

/** `02:00:00` */
function inPairs(digits: string): string {
  return digits.replace(/..(?!$)/g, "$&:");
}

function boardOf(station: number): number | undefined {
  return station === NOBODY ? undefined : station;
}

/**
 * Where nothing was recorded by one who took part, the address with the most datagrams stands in the
 * place of the gateway.
 */
function busiest(sightings: readonly Sighting[]): Uint8Array | undefined {
  if (sightings.some(({ from, to }) => from === "here" || to === "here")) return undefined;
  const counts = new Map<string, { address: Uint8Array; count: number }>();
  for (const { from, to } of sightings) {
    for (const address of [from, to]) {
      if (!(address instanceof Uint8Array)) continue;
      const entry = counts.get(toHex(address)) ?? { address, count: 0 };
      entry.count++;
      counts.set(toHex(address), entry);
    }
  }
  return [...counts.values()].sort((one, other) => other.count - one.count)[0]?.address;
}
