import { BlockBuilder, blockBytes } from "./block-builder.js";
import type { CapturedDatagram, CaptureHead } from "./captured.js";
import { encodeDescription, MTU_BYTES_MAX, MTU_BYTES_MIN } from "./description.js";
import { CaptureError } from "./errors.js";
import {
  BLOCK_DATAGRAM,
  BLOCK_INTERFACE,
  BLOCK_SECTION_HEADER,
  BLOCK_STATISTICS,
  BYTE_ORDER_MAGIC,
  DATAGRAM_DROP_COUNT,
  DATAGRAM_FIXED_BYTES,
  DATAGRAM_FLAGS,
  FLAG_INBOUND,
  FLAG_OUTBOUND,
  FLAG_OVERHEARD,
  INTERFACE_DESCRIPTION,
  INTERFACE_FIXED_BYTES,
  INTERFACE_NAME,
  INTERFACE_RESOLUTION,
  LINK_TYPE_USER0,
  OPTION_COMMENT,
  padded,
  SECTION_FIXED_BYTES,
  SECTION_USER_APPLICATION,
  STATISTICS_DROPPED_BY_SYSTEM,
  STATISTICS_END,
  STATISTICS_FIXED_BYTES,
  STATISTICS_RECEIVED,
  STATISTICS_START,
  VERSION_MAJOR,
  VERSION_MINOR,
} from "./pcapng.js";
import { ADDRESS_BYTES_MAX, encodePseudoHeader, PSEUDO_BYTES_MAX } from "./pseudo-header.js";
import { cutUtf8 } from "./text.js";

/** The contract of `Link` allows no more. */
const DATAGRAM_BYTES_MAX = 65_535;
export const TEXT_BYTES_MAX = 1000;
const MICROSECONDS = 6;
export const U32_MAX = 0xffff_ffff;
/** `encodePseudoHeader` keeps it in an `i16` of hundredths. */
const RSSI_DBM_MAX = 327;

/**
 * Writes a capture piece by piece: each call gives the bytes that come next. Keeps nothing but
 * counts.
 *
 * ```ts
 * const writer = new CaptureWriter({ link: "lossy:", mtuBytes: 250, startedAt: new Date() });
 * await file.write(writer.begin());
 * await file.write(writer.datagram({ atUs: 1200, direction: "sent", bytes }));
 * await file.write(writer.end(5000));
 * ```
 */
export class CaptureWriter {
  readonly #head: CaptureHead;
  readonly #startUs: number;
  #written = 0;
  #dropped = 0;
  #droppedBefore = 0;
  #lastUs = 0;

  /** @throws {@link CaptureError} `invalid-capture` if the head breaks a limit */
  constructor(head: CaptureHead) {
    const { mtuBytes, startedAt, localAddress } = head;
    check(isWhole(mtuBytes, MTU_BYTES_MIN, MTU_BYTES_MAX), "mtuBytes", "20 to 65535", mtuBytes);
    const startMs = startedAt.getTime();
    check(startMs >= 0, "startedAt", "a date from 1970 on", startMs);
    checkAddress("localAddress", localAddress);
    this.#head = head;
    this.#startUs = startMs * 1000;
  }

  /** The first bytes of the file. */
  begin(): Uint8Array {
    return concat([this.#sectionHeader(), this.#interface()]);
  }

  /**
   * One datagram.
   * @throws {@link CaptureError} `invalid-capture` if it breaks a limit: nothing has changed then
   */
  datagram(datagram: CapturedDatagram): Uint8Array {
    const timeUs = this.#check(datagram);
    const header = encodePseudoHeader(datagram);
    const { bytes } = datagram;
    const length = header.length + bytes.length;
    const comment = cutUtf8(datagram.comment ?? "", TEXT_BYTES_MAX);
    const size = blockBytes(DATAGRAM_FIXED_BYTES + padded(length), 4, 8, comment.length);
    const block = new BlockBuilder(BLOCK_DATAGRAM, size)
      .u32(0)
      .time(timeUs)
      .u32(length)
      .u32(length)
      .raw(header, bytes)
      .option32(DATAGRAM_FLAGS, FLAGS[datagram.direction]);
    if (this.#droppedBefore > 0) block.option64(DATAGRAM_DROP_COUNT, this.#droppedBefore);
    if (comment.length > 0) block.option(OPTION_COMMENT, comment);
    this.#droppedBefore = 0;
    this.#written++;
    this.#lastUs = timeUs;
    return block.endOfOptions().done();
  }

  /** So many datagrams passed here and were not written. The next datagram says so, or the end. */
  dropped(count: number): void {
    check(isWhole(count, 1, Number.MAX_SAFE_INTEGER - this.#dropped), "dropped", "a count", count);
    this.#dropped += count;
    this.#droppedBefore += count;
  }

  /**
   * The last bytes: how many there were. A file without them is read all the same.
   * @param atUs - since the start
   */
  end(atUs = this.#lastUs - this.#startUs): Uint8Array {
    const endUs = this.#timeOf(atUs);
    return new BlockBuilder(BLOCK_STATISTICS, blockBytes(STATISTICS_FIXED_BYTES, 8, 8, 8, 8))
      .u32(0)
      .time(endUs)
      .optionTime(STATISTICS_START, this.#startUs)
      .optionTime(STATISTICS_END, endUs)
      .option64(STATISTICS_RECEIVED, this.#written + this.#dropped)
      .option64(STATISTICS_DROPPED_BY_SYSTEM, this.#dropped)
      .endOfOptions()
      .done();
  }

  #sectionHeader(): Uint8Array {
    const name = cutUtf8("fardel", TEXT_BYTES_MAX);
    return (
      new BlockBuilder(BLOCK_SECTION_HEADER, blockBytes(SECTION_FIXED_BYTES, name.length))
        .u32(BYTE_ORDER_MAGIC)
        .u16(VERSION_MAJOR)
        .u16(VERSION_MINOR)
        // Length of the section: not told, since it grows.
        .u32(0xffffffff)
        .u32(0xffffffff)
        .option(SECTION_USER_APPLICATION, name)
        .endOfOptions()
        .done()
    );
  }

  #interface(): Uint8Array {
    const name = cutUtf8(this.#head.link, TEXT_BYTES_MAX);
    const description = cutUtf8(encodeDescription(this.#head), TEXT_BYTES_MAX);
    const size = blockBytes(INTERFACE_FIXED_BYTES, name.length, description.length, 1);
    return new BlockBuilder(BLOCK_INTERFACE, size)
      .u16(LINK_TYPE_USER0)
      .u16(0)
      .u32(this.#head.mtuBytes + PSEUDO_BYTES_MAX)
      .option(INTERFACE_NAME, name)
      .option(INTERFACE_DESCRIPTION, description)
      .option(INTERFACE_RESOLUTION, Uint8Array.of(MICROSECONDS))
      .endOfOptions()
      .done();
  }

  #timeOf(atUs: number): number {
    const timeUs = this.#startUs + atUs;
    check(
      Number.isSafeInteger(atUs) && isWhole(timeUs, 0, Number.MAX_SAFE_INTEGER),
      "atUs",
      AT,
      atUs,
    );
    return timeUs;
  }

  #check(datagram: CapturedDatagram): number {
    const { atUs, bytes, direction, from, to, tookUs, rssiDbm, radioChannel } = datagram;
    checkAddress("from", from);
    checkAddress("to", to);
    check(bytes.length <= DATAGRAM_BYTES_MAX, "bytes", "0 to 65535 bytes long", bytes.length);
    check(direction in FLAGS, "direction", "sent, received or overheard", direction);
    const isDuration = tookUs === undefined || isWhole(tookUs, 0, U32_MAX);
    check(isDuration, "tookUs", "0 to 2^32 - 1", tookUs);
    const isSignal = rssiDbm === undefined || Math.abs(rssiDbm) <= RSSI_DBM_MAX;
    check(isSignal, "rssiDbm", `-${RSSI_DBM_MAX} to ${RSSI_DBM_MAX}`, rssiDbm);
    const isChannel = radioChannel === undefined || isWhole(radioChannel, 0, 65_535);
    check(isChannel, "radioChannel", "0 to 65535", radioChannel);
    return this.#timeOf(atUs);
  }
}

/** A whole capture at once. @throws {@link CaptureError} `invalid-capture` if something breaks a limit */
export function writeCapture(
  head: CaptureHead,
  datagrams: Iterable<CapturedDatagram>,
): Uint8Array<ArrayBuffer> {
  const writer = new CaptureWriter(head);
  const pieces = [writer.begin()];
  for (const datagram of datagrams) pieces.push(writer.datagram(datagram));
  pieces.push(writer.end());
  return concat(pieces);
}

const AT = "whole microseconds since the start, within the years 1970 to 2255";
const FLAGS = { sent: FLAG_OUTBOUND, received: FLAG_INBOUND, overheard: FLAG_OVERHEARD } as const;

function isWhole(value: number, min: number, max: number): boolean {
  return Number.isSafeInteger(value) && value >= min && value <= max;
}

function checkAddress(name: string, address: Uint8Array | undefined): void {
  const length = address?.length ?? 1;
  check(
    isWhole(length, 1, ADDRESS_BYTES_MAX),
    name,
    "1 to 64 bytes long; leave out what is not known",
    length,
  );
}

function check(isRight: boolean, name: string, allowed: string, given: unknown): void {
  if (isRight) return;
  throw new CaptureError("invalid-capture", `${name} must be ${allowed}; it is ${String(given)}.`);
}

function concat(pieces: readonly Uint8Array[]): Uint8Array<ArrayBuffer> {
  const all = new Uint8Array(pieces.reduce((sum, piece) => sum + piece.length, 0));
  let at = 0;
  for (const piece of pieces) {
    all.set(piece, at);
    at += piece.length;
  }
  return all;
}
