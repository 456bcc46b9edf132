import { BlockSplitter, type SplitItem } from "./block-splitter.js";
import type { CapturedDatagram, CaptureHead } from "./captured.js";
import { decodeDescription, MTU_BYTES_MAX } from "./description.js";
import { CaptureError } from "./errors.js";
import { Options } from "./options.js";
import {
  BLOCK_DATAGRAM,
  BLOCK_INTERFACE,
  BLOCK_SECTION_HEADER,
  BYTE_ORDER_MAGIC,
  DATAGRAM_DROP_COUNT,
  DATAGRAM_FIXED_BYTES,
  INTERFACE_DESCRIPTION,
  INTERFACE_FIXED_BYTES,
  INTERFACE_NAME,
  INTERFACE_OFFSET,
  INTERFACE_RESOLUTION,
  LINK_TYPE_USER0,
  OPTION_COMMENT,
  padded,
  STATISTICS_DROPPED_BY_SYSTEM,
  STATISTICS_FIXED_BYTES,
  VERSION_MAJOR,
} from "./pcapng.js";
import { decodePseudoHeader } from "./pseudo-header.js";
import { cutUtf8, textOf } from "./text.js";
import { RESOLUTION_DEFAULT, timeUs } from "./time.js";
import { TEXT_BYTES_MAX } from "./writer.js";

/** Interfaces of one section that are remembered; what belongs to further ones is passed over. */
const INTERFACES_MAX = 256;
/** That of the largest datagram there may be. */
const DATAGRAM_BYTES_MAX = 65_535;

/** What a capture consists of, in the order of the file. Arrays belong to whoever takes it. */
export type CaptureItem =
  /** A link that was recorded; `recording` counts them, from 0. Comes before all else of it. */
  | { readonly type: "head"; readonly recording: number; readonly head: CaptureHead }
  | { readonly type: "datagram"; readonly recording: number; readonly datagram: CapturedDatagram }
  /** So many datagrams passed before this time and were not written. */
  | {
      readonly type: "dropped";
      readonly recording: number;
      readonly atUs: number;
      readonly count: number;
    }
  /** Something cannot be read and was passed over. `at`: offset in the file. */
  | { readonly type: "fault"; readonly at: number; readonly why: string }
  /** The file ends within a block: that is how a program ends that is killed. */
  | { readonly type: "cut"; readonly at: number };

/** A link in a section. */
interface Interface {
  readonly recording: number;
  readonly link: string;
  readonly mtuBytes: number;
  readonly localAddress: Uint8Array | undefined;
  readonly resolution: number;
  readonly offsetS: number;
  /** `undefined`: the first time that is told. */
  startUs: number | undefined;
  isTold: boolean;
  dropped: number;
}

/**
 * Reads a capture that comes in pieces of any size. Hostile bytes give faults, never an exception;
 * what is held is bounded by the largest block, 256 KiB, and 256 interfaces.
 *
 * ```ts
 * const reader = new CaptureReader();
 * for await (const piece of file) for (const item of reader.push(piece)) show(item);
 * for (const item of reader.end()) show(item);
 * ```
 */
export class CaptureReader {
  readonly #splitter = new BlockSplitter((item) => this.#take(item));
  #items: CaptureItem[] = [];
  /** `undefined`: of a link type that is not ours, or unreadable. */
  #interfaces: (Interface | undefined)[] = [];
  #recordings = 0;
  #isReadable = false;

  /** @returns what has become readable */
  push(bytes: Uint8Array): CaptureItem[] {
    this.#splitter.push(bytes);
    return this.#drain();
  }

  /** Nothing more comes. @returns the rest */
  end(): CaptureItem[] {
    const at = this.#splitter.end();
    for (const each of this.#interfaces) if (each) this.#tell(each, 0);
    if (at !== undefined) this.#items.push({ type: "cut", at });
    return this.#drain();
  }

  #drain(): CaptureItem[] {
    const items = this.#items;
    this.#items = [];
    return items;
  }

  #take(item: SplitItem): void {
    if (item.type === "fault") {
      this.#items.push(item);
      return;
    }
    const why = this.#takeBlock(item);
    if (why !== undefined) this.#items.push({ type: "fault", at: item.at, why });
  }

  /** @returns why it cannot be read */
  #takeBlock({ blockType, body, isLittle }: SplitItem & { type: "block" }): string | undefined {
    if (blockType === BLOCK_SECTION_HEADER) return this.#takeSection(body, isLittle);
    if (!this.#isReadable) return undefined;
    if (blockType === BLOCK_INTERFACE) return this.#takeInterface(body, isLittle);
    if (blockType === BLOCK_DATAGRAM) return this.#takeDatagram(body, isLittle);
    return this.#takeStatistics(body, isLittle);
  }

  #takeSection(body: DataView, isLittle: boolean): string | undefined {
    for (const each of this.#interfaces) if (each) this.#tell(each, 0);
    this.#interfaces = [];
    const major = body.getUint16(4, isLittle);
    this.#isReadable = major === VERSION_MAJOR && body.getUint32(0, isLittle) === BYTE_ORDER_MAGIC;
    return this.#isReadable ? undefined : `a section has version ${major}, and is passed over`;
  }

  #takeInterface(body: DataView, isLittle: boolean): string | undefined {
    if (this.#interfaces.length >= INTERFACES_MAX) {
      return `a section has more than ${INTERFACES_MAX} interfaces; this one is passed over`;
    }
    this.#interfaces.push(undefined);
    if (body.byteLength < INTERFACE_FIXED_BYTES) return "an interface is cut short";
    if (body.getUint16(0, isLittle) !== LINK_TYPE_USER0) return undefined;
    const options = new Options(body, INTERFACE_FIXED_BYTES, isLittle);
    const told = decodeDescription(shortText(options.bytes(INTERFACE_DESCRIPTION)));
    const link: Interface = {
      recording: this.#recordings++,
      link: shortText(options.bytes(INTERFACE_NAME)),
      mtuBytes: told.mtuBytes ?? MTU_BYTES_MAX,
      localAddress: told.localAddress,
      resolution: options.u8(INTERFACE_RESOLUTION) ?? RESOLUTION_DEFAULT,
      offsetS: options.i64(INTERFACE_OFFSET) ?? 0,
      startUs: told.startedAt && told.startedAt.getTime() * 1000,
      isTold: false,
      dropped: 0,
    };
    this.#interfaces[this.#interfaces.length - 1] = link;
    if (link.startUs !== undefined) this.#tell(link, link.startUs);
    return options.isCut ? "the options of an interface are cut short" : undefined;
  }

  /** The head goes before all else of a recording. */
  #tell(link: Interface, firstUs: number): number {
    link.startUs ??= Math.floor(firstUs / 1000) * 1000;
    const { recording, mtuBytes, localAddress, startUs } = link;
    if (!link.isTold) {
      const startedAt = new Date(startUs / 1000);
      const head = { link: link.link, mtuBytes, startedAt, ...(localAddress && { localAddress }) };
      this.#items.push({ type: "head", recording, head });
    }
    link.isTold = true;
    return startUs;
  }

  /** @returns the link and the time since its start; `undefined`: passed over; or why it cannot be read */
  #timeOf(
    body: DataView,
    isLittle: boolean,
  ): { readonly link: Interface; readonly atUs: number } | string | undefined {
    const index = body.getUint32(0, isLittle);
    if (index >= this.#interfaces.length) return `there is no interface ${index}`;
    const link = this.#interfaces[index];
    if (!link) return undefined;
    const high = body.getUint32(4, isLittle);
    const low = body.getUint32(8, isLittle);
    const us = timeUs(high, low, link.resolution, link.offsetS);
    if (us === undefined || !isDate(us)) return "its time is out of range";
    return { link, atUs: us - this.#tell(link, us) };
  }

  #takeDatagram(body: DataView, isLittle: boolean): string | undefined {
    if (body.byteLength < DATAGRAM_FIXED_BYTES) return "a datagram is cut short";
    const captured = body.getUint32(12, isLittle);
    const original = body.getUint32(16, isLittle);
    if (DATAGRAM_FIXED_BYTES + captured > body.byteLength) {
      return "a datagram runs beyond its block";
    }
    const time = this.#timeOf(body, isLittle);
    if (typeof time !== "object") return time;
    const options = new Options(body, DATAGRAM_FIXED_BYTES + padded(captured), isLittle);
    this.#takeDropped(time.link, time.atUs, options.i64(DATAGRAM_DROP_COUNT) ?? 0);
    if (captured < original) return "a datagram was recorded only in part";
    const at = body.byteOffset + DATAGRAM_FIXED_BYTES;
    const content = new Uint8Array(body.buffer, at, captured);
    const pseudo = decodePseudoHeader(content);
    if (typeof pseudo === "string") return `a datagram cannot be read: ${pseudo}`;
    const bytes = content.slice(pseudo.headerBytes);
    if (bytes.length > DATAGRAM_BYTES_MAX) return "a datagram is longer than there can be";
    const comment = shortText(options.bytes(OPTION_COMMENT));
    const datagram = { atUs: time.atUs, ...pseudo.header, bytes, ...(comment && { comment }) };
    this.#items.push({ type: "datagram", recording: time.link.recording, datagram });
    return options.isCut ? "the options of a datagram are cut short" : undefined;
  }

  /** What was left out behind the last datagram shows in the sum only. */
  #takeStatistics(body: DataView, isLittle: boolean): string | undefined {
    if (body.byteLength < STATISTICS_FIXED_BYTES) return "the statistics are cut short";
    const time = this.#timeOf(body, isLittle);
    if (typeof time !== "object") return time;
    const options = new Options(body, STATISTICS_FIXED_BYTES, isLittle);
    const { link, atUs } = time;
    const dropped = options.i64(STATISTICS_DROPPED_BY_SYSTEM) ?? 0;
    this.#takeDropped(link, atUs, dropped - link.dropped);
    return options.isCut ? "the options of the statistics are cut short" : undefined;
  }

  #takeDropped(link: Interface, atUs: number, count: number): void {
    if (count <= 0) return;
    link.dropped += count;
    this.#items.push({ type: "dropped", recording: link.recording, atUs, count });
  }
}

/** A capture that was read as a whole. */
export interface Capture {
  readonly head: CaptureHead;
  readonly datagrams: readonly CapturedDatagram[];
  /** Where datagrams passed that were not written. */
  readonly dropped: readonly { readonly atUs: number; readonly count: number }[];
  /** What could not be read. `at`: offset in the file. */
  readonly faults: readonly { readonly at: number; readonly why: string }[];
  /** The file ends within a block. */
  readonly isCut: boolean;
  /** Links that the file holds, this one too. */
  readonly recordings: number;
}

/**
 * Reads a whole capture, that of one link.
 * @param recording - which, if the file holds several: 0 is the first
 * @throws {@link CaptureError} `not-a-capture` if there is none
 */
export function readCapture(bytes: Uint8Array, { recording = 0 } = {}): Capture {
  const reader = new CaptureReader();
  const items = [...reader.push(bytes), ...reader.end()];
  const all = <T extends CaptureItem["type"]>(type: T) =>
    items.filter((item): item is CaptureItem & { type: T } => item.type === type);
  const heads = all("head");
  const head = heads[recording]?.head;
  if (!head) throw new CaptureError("not-a-capture", missing(bytes, heads.length));
  const mine = (item: { readonly recording: number }) => item.recording === recording;
  return {
    head,
    datagrams: all("datagram")
      .filter(mine)
      .map(({ datagram }) => datagram),
    dropped: all("dropped")
      .filter(mine)
      .map(({ atUs, count }) => ({ atUs, count })),
    faults: all("fault").map(({ at, why }) => ({ at, why })),
    isCut: all("cut").length > 0,
    recordings: heads.length,
  };
}

/** Whether a file that begins like this is a pcapng file; at least 4 bytes are needed. */
export function isCapture(bytes: Uint8Array): boolean {
  return SECTION_BYTES.every((byte, index) => bytes[index] === byte);
}

const SECTION_BYTES = [0x0a, 0x0d, 0x0d, 0x0a];

function missing(bytes: Uint8Array, found: number): string {
  if (!isCapture(bytes)) {
    return "This is no pcapng file. Record one with --record FILE.pcapng, or with recordLink.";
  }
  return found === 0
    ? "This pcapng file holds no recorded link (link type 147 with what CAPTURE.md describes)."
    : `This pcapng file holds ${found} recorded links, counted from 0; there is no such one.`;
}

/** What `Date` can hold. */
function isDate(us: number): boolean {
  return Math.abs(us) <= 8.64e18 && !Number.isNaN(new Date(us / 1000).getTime());
}

function shortText(bytes: Uint8Array | undefined): string {
  if (!bytes) return "";
  const text = textOf(bytes.subarray(0, TEXT_BYTES_MAX));
  return textOf(cutUtf8(text, TEXT_BYTES_MAX));
}
