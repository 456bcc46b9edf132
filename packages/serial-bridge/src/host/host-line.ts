import {
  type BridgeFacts,
  type BridgeFrame,
  decodeBridgeFrame,
  encodeHostFrame,
  type HostFrame,
} from "../bridge-frames.js";
import { FrameReader, type Framing } from "../frame-reader.js";
import { TYPE } from "../frame-types.js";
import { frameBytes } from "../frame-writer.js";
import { HOST_BODY_BYTES_MIN } from "../limits.js";

/** What has come in, over all openings of the port. */
export interface LineCounts {
  bytes: number;
  /** Undamaged frames. */
  frames: number;
  /** Damaged frames, and what was none: noise, boot messages. */
  damaged: number;
}

/** The host's end of the line: frames of ours to bytes, bytes to frames of the bridge. */
export class HostLine {
  readonly #framing: Framing;
  readonly #counts: LineCounts;
  readonly #reader: FrameReader;
  #addressBytes = 0;
  /** The sender that RECEIVED-AGAIN means. */
  #impliedFrom: Uint8Array | undefined;

  /** @param counts - to go on counting in */
  constructor(framing: Framing, counts: LineCounts) {
    this.#framing = framing;
    this.#counts = counts;
    this.#reader = new FrameReader(framing, HOST_BODY_BYTES_MIN, (type) =>
      type === TYPE.receivedAgain ? this.#impliedFrom : undefined,
    );
  }

  /** A session has begun: addresses and datagrams are of this size, and no address is implied. */
  beginSession({ mtuBytes, address }: BridgeFacts): void {
    this.#addressBytes = address.length;
    this.#impliedFrom = undefined;
    this.#reader.bodyBytesMax = Math.max(mtuBytes + address.length + 3, HOST_BODY_BYTES_MIN);
  }

  /** @param hasPause - whether nothing left right before it: what was noise until then ends */
  bytesOf(frame: HostFrame, hasPause: boolean): Uint8Array {
    const seed = frame.type === "send" && frame.again ? frame.to : undefined;
    const framing = this.#framing;
    return frameBytes(encodeHostFrame(frame), { framing, leadingDelimiter: hasPause, seed });
  }

  /**
   * @param onFrame - `undefined` for one that is undamaged and not understood; arrays in it are valid
   * during the call only
   */
  handleBytes(
    bytes: Uint8Array,
    onFrame: (frame: BridgeFrame | undefined) => void,
    onText: (line: string) => void,
  ): void {
    const { good, damaged, tooLong } = this.#reader.counts;
    this.#reader.push(bytes, { onFrame: (body) => onFrame(this.#decode(body)), onText });
    const now = this.#reader.counts;
    this.#counts.bytes += bytes.length;
    this.#counts.frames += now.good - good;
    this.#counts.damaged += now.damaged - damaged + now.tooLong - tooLong;
  }

  /** Nothing more comes: what is half here was text, if anything. */
  end(onText: (line: string) => void): void {
    this.#reader.end({ onText });
  }

  #decode(body: Uint8Array): BridgeFrame | undefined {
    const decoded = decodeBridgeFrame(body, this.#addressBytes, this.#impliedFrom);
    if (!decoded.ok) return undefined;
    const frame = decoded.value;
    if (frame.type === "received" && !frame.again) this.#impliedFrom = frame.from.slice();
    return frame;
  }
}
