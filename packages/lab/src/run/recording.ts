import { CaptureError, type CaptureItem, CaptureReader, isCapture } from "@fardel/capture";
import { COPY_COMMENT } from "./capture-export.js";
import { fromHex } from "./hex.js";
import { LabError } from "./lab-error.js";
import { FATE_NAMES, type FateName } from "./record.js";
import { DATAGRAMS_MAX } from "./run-watch.js";
import { counted } from "./words.js";

/** Who sent or received: an address, the side that recorded, or nobody knows. */
export type End = Uint8Array | "here" | undefined;

/** A datagram as a recording shows it. */
export interface Sighting {
  /** Since the start of the recording; of arrival if it arrived, else when it left. */
  readonly atUs: number;
  readonly from: End;
  readonly to: End;
  readonly fate: FateName;
  readonly isCopy: boolean;
  readonly rssiDbm: number | undefined;
  readonly bytes: Uint8Array;
}

/** What a file holds. */
export interface Recording {
  readonly link: string;
  /** Of the side that recorded, if it is told. */
  readonly localAddress: Uint8Array | undefined;
  /** In the order of time. */
  readonly sightings: readonly Sighting[];
  /** So many datagrams passed here and were not written. */
  readonly holes: readonly { readonly atUs: number; readonly count: number }[];
  /** What could not be read, in sentences; the first few. */
  readonly faults: readonly string[];
}

const FAULTS_MAX = 5;
/** A capture is handed over to its reader in pieces of this size. */
const PIECE_BYTES = 1 << 20;

/**
 * Reads a recording: a capture (pcapng), or the text of `fardel … --record` (TRACE.md of
 * `@fardel/cli`). Hostile bytes give faults. Of more than 400,000 datagrams the first are taken.
 *
 * @throws LabError `not-a-recording`
 */
export function readRecording(bytes: Uint8Array): Recording {
  const collector = isCapture(bytes) ? readCaptured(bytes) : readLines(bytes);
  return collector.recording();
}

/** Puts together what both formats give. */
class Collector {
  readonly #sightings: Sighting[] = [];
  readonly #holes: { atUs: number; count: number }[] = [];
  readonly #faults: string[] = [];
  #faultCount = 0;
  #leftOut = 0;
  link = "recording";
  localAddress: Uint8Array | undefined;

  sighting(sighting: Sighting): void {
    if (this.#sightings.length < DATAGRAMS_MAX) this.#sightings.push(sighting);
    else this.#leftOut++;
  }

  hole(atUs: number, count: number): void {
    if (this.#holes.length < DATAGRAMS_MAX) this.#holes.push({ atUs, count });
  }

  fault(sentence: string): void {
    this.#faultCount++;
    if (this.#faults.length < FAULTS_MAX) this.#faults.push(sentence);
  }

  recording(): Recording {
    if (this.#sightings.length === 0) {
      const [why] = this.#faults;
      const text = why === undefined ? "There is no datagram in it." : why;
      throw new LabError("not-a-recording", `The file cannot be shown. ${text}`);
    }
    const more = this.#faultCount - this.#faults.length;
    if (more > 0) this.#faults.push(`And ${counted(more, "more fault")} like these.`);
    if (this.#leftOut > 0) {
      const kept = counted(DATAGRAMS_MAX, "datagram");
      this.#faults.push(`Only the first ${kept} are shown; ${this.#leftOut} were left out.`);
    }
    this.#sightings.sort((one, other) => one.atUs - other.atUs);
    return {
      link: this.link,
      localAddress: this.localAddress,
      sightings: this.#sightings,
      holes: this.#holes,
      faults: this.#faults,
    };
  }
}

// ---- pcapng

function readCaptured(bytes: Uint8Array): Collector {
  const collector = new Collector();
  const reader = new CaptureReader();
  try {
    for (let at = 0; at < bytes.length; at += PIECE_BYTES) {
      for (const item of reader.push(bytes.subarray(at, at + PIECE_BYTES))) take(collector, item);
    }
    for (const item of reader.end()) take(collector, item);
  } catch (error) {
    if (!(error instanceof CaptureError)) throw error;
    collector.fault(error.message);
  }
  return collector;
}

/** Of several links in one file the first is shown: they have nothing to do with each other. */
function take(collector: Collector, item: CaptureItem): void {
  switch (item.type) {
    case "head":
      if (item.recording > 0) {
        collector.fault("The file holds more than one link; only the first is shown.");
        return;
      }
      collector.link = item.head.link;
      collector.localAddress = item.head.localAddress;
      return;
    case "datagram": {
      if (item.recording > 0) return;
      const { atUs, direction, from, to, bytes, outcome, fate, rssiDbm, comment } = item.datagram;
      if (outcome === "refused") return;
      const { localAddress } = collector;
      const isHere = (address: Uint8Array | undefined) =>
        address !== undefined && localAddress !== undefined && sameBytes(address, localAddress);
      collector.sighting({
        atUs,
        from: direction === "sent" || isHere(from) ? "here" : from,
        to: direction === "received" || isHere(to) ? "here" : to,
        fate: fateNamed(fate) ?? (direction === "received" ? "delivered" : "pending"),
        isCopy: comment === COPY_COMMENT,
        rssiDbm,
        bytes,
      });
      return;
    }
    case "dropped":
      if (item.recording === 0) collector.hole(item.atUs, item.count);
      return;
    case "fault":
      collector.fault(`At byte ${item.at}: ${item.why}.`);
      return;
    case "cut":
      return;
  }
}

export function sameBytes(one: Uint8Array, other: Uint8Array): boolean {
  return one.length === other.length && one.every((byte, index) => byte === other[index]);
}

function fateNamed(word: string | undefined): FateName | undefined {
  return FATE_NAMES.find((name) => name === word);
}

// ---- lines of JSON

/** Longest line that is read, characters; as `fardel trace` does. */
const LINE_CHARS_MAX = 262_144;

function readLines(bytes: Uint8Array): Collector {
  const collector = new Collector();
  const text = new TextDecoder().decode(bytes);
  let line = 0;
  for (let from = 0; from < text.length; ) {
    const end = text.indexOf("\n", from);
    const to = end < 0 ? text.length : end;
    line++;
    const wasCut = end < 0;
    const fault = readLine(collector, line, text.slice(from, Math.min(to, from + LINE_CHARS_MAX)));
    from = to + 1;
    if (fault === undefined) continue;
    if (line === 1) throw notARecording();
    // That is how a program ends that is killed.
    if (!wasCut) collector.fault(`Line ${line} cannot be read: ${fault}.`);
  }
  return collector;
}

function notARecording(): LabError {
  const text =
    "The file is no recording. Choose one that was written with --record, or exported here as a capture.";
  return new LabError("not-a-recording", text);
}

/** @returns what is wrong with it */
function readLine(collector: Collector, line: number, text: string): string | undefined {
  const fields = parsed(text);
  if (fields === undefined) return "it is no JSON object";
  return line === 1 ? readHead(collector, fields) : readEntry(collector, fields);
}

function parsed(text: string): Readonly<Record<string, unknown>> | undefined {
  try {
    const value: unknown = JSON.parse(text);
    if (typeof value !== "object" || value === null) return undefined;
    return { ...value };
  } catch {
    return undefined;
  }
}

function readHead(collector: Collector, fields: Readonly<Record<string, unknown>>) {
  if (fields.format !== "fardel-recording") return "it is no head of a recording";
  if (fields.version !== 1) {
    const text = `The recording has version ${String(fields.version)}; only 1 can be read. Use a newer page.`;
    throw new LabError("not-a-recording", text);
  }
  if (typeof fields.link === "string") collector.link = fields.link;
  return undefined;
}

function readEntry(collector: Collector, fields: Readonly<Record<string, unknown>>) {
  const { atUs, direction, peer, bytes, rssiDbm, dropped } = fields;
  if (typeof atUs !== "number" || !Number.isSafeInteger(atUs)) return "atUs is no whole number";
  if (typeof dropped === "number") {
    collector.hole(atUs, dropped);
    return undefined;
  }
  const address = typeof peer === "string" ? fromHex(peer) : undefined;
  const datagram = typeof bytes === "string" ? fromHex(bytes) : undefined;
  if (address === undefined || address.length === 0) return "peer is no address";
  if (datagram === undefined) return "bytes are not hexadecimal";
  if (direction !== "sent" && direction !== "received") return "direction is not sent or received";
  // It never left.
  if (fields.outcome === "refused") return undefined;
  const isSent = direction === "sent";
  collector.sighting({
    atUs,
    from: isSent ? "here" : address,
    to: isSent ? address : "here",
    fate: isSent ? "pending" : "delivered",
    isCopy: false,
    rssiDbm: typeof rssiDbm === "number" && Number.isFinite(rssiDbm) ? rssiDbm : undefined,
    bytes: datagram,
  });
  return undefined;
}
