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
import { BridgeCore, type BridgeCoreOptions, type RadioOrder } from "./bridge-core.js";

/** For tests: the far ends of a bridge's core, a host that says what a test wants, and its radio. */

export const FACTS: BridgeFacts = {
  mtuBytes: 50,
  queue: 4,
  peersMax: 3,
  canBroadcast: true,
  canSetChannel: true,
  tellsAcknowledgement: true,
  channel: 6,
  airtimeFixedUs: 896,
  airtimePerByteNs: 8000,
  address: Uint8Array.of(2, 0, 0, 0, 0, 1),
  name: "orchard bridge",
};
export const EVERYBODY = new Uint8Array(6).fill(0xff);

/** The row station of this number. */
export function station(number: number): Uint8Array {
  return Uint8Array.of(2, 0, 0, 0, number >> 8, number & 0xff);
}

/** A datagram that can be told from others. */
export function datagram(mark: number, bytes = 3): Uint8Array {
  return new Uint8Array(bytes).fill(mark & 0xff);
}

export class ScriptedHost {
  readonly core: BridgeCore;
  nowUs = 0;
  /** Where the host stands; 0 before {@link ScriptedHost.greet}. */
  host = 0;
  /** The next token. */
  token = 0;
  /** What the radio was told to do. */
  readonly orders: RadioOrder[] = [];
  /** What stands in the radio's table, as it was told. */
  readonly table: Uint8Array[] = [];
  readonly #framing: Framing;
  readonly #reader: FrameReader;
  #impliedFrom: Uint8Array | undefined;

  constructor(options: Partial<BridgeCoreOptions> & { readonly facts?: BridgeFacts } = {}) {
    const { framing = "cobs" } = options;
    this.#framing = framing;
    this.core = new BridgeCore(
      { facts: FACTS, framing, incarnation: 0xb1, radioDepth: 1, heardMax: 4, ...options },
      this.nowUs,
    );
    this.#reader = new FrameReader(framing, 400, (type) =>
      type === TYPE.receivedAgain ? this.#impliedFrom : undefined,
    );
  }

  /** Opens a session and lets go of what was said before. */
  greet(host = 0xa0): void {
    this.say({ type: "hello-request", versionMin: 1, versionMax: 1, host });
    this.host = host;
    this.token = 0;
    this.heard();
  }

  /** Frames for the bridge. */
  say(...frames: HostFrame[]): void {
    for (const frame of frames) this.write(this.bytesOf(frame));
  }

  bytesOf(frame: HostFrame): Uint8Array {
    const seed = frame.type === "send" && frame.again ? frame.to : undefined;
    const framing = this.#framing;
    return frameBytes(encodeHostFrame(frame), { framing, leadingDelimiter: true, seed });
  }

  write(bytes: Uint8Array): void {
    this.core.handleBytes(bytes, this.nowUs);
  }

  /** Hands over a datagram under the next token. */
  send(to: Uint8Array, bytes: Uint8Array, again = false): number {
    const token = this.token;
    this.token = (token + 1) & 0xff;
    this.say({ type: "send", token, to, datagram: bytes, again });
    return token;
  }

  /** Lets the radio take what it takes. @returns the new orders */
  radio(): RadioOrder[] {
    const fresh: RadioOrder[] = [];
    for (;;) {
      const order = this.core.pollTransmit(this.nowUs);
      if (!order) break;
      const { putOut, putIn, to, datagram: bytes } = order;
      if (putOut) this.#remove(putOut);
      if (putIn) this.table.push(putIn.slice());
      fresh.push({ ...order, to: to.slice(), datagram: bytes.slice() });
    }
    this.orders.push(...fresh);
    return fresh;
  }

  /** All that goes through the radio now, with the same result. */
  transmitAll(result: "sent" | "acknowledged" | "not-acknowledged" = "sent"): RadioOrder[] {
    const all: RadioOrder[] = [];
    for (let orders = this.radio(); orders.length > 0; orders = this.radio()) {
      all.push(...orders);
      for (const { transmission } of orders) this.core.handleTransmitted(transmission, result);
    }
    return all;
  }

  /**
   * The frames that the bridge says now, one right behind the other.
   * @param hasPause - whether nothing left right before the first
   */
  heard(hasPause = true): BridgeFrame[] {
    const frames: BridgeFrame[] = [];
    for (const bytes of this.lines(Number.POSITIVE_INFINITY, hasPause)) {
      this.#reader.push(bytes, { onFrame: (body) => frames.push(this.#decode(body)) });
    }
    return frames;
  }

  /** The same as bytes, an array for each frame. */
  lines(framesMax = Number.POSITIVE_INFINITY, hasPause = true): Uint8Array[] {
    const lines: Uint8Array[] = [];
    while (lines.length < framesMax) {
      const bytes = this.core.pollBytes(this.nowUs, hasPause && lines.length === 0);
      if (!bytes) break;
      lines.push(bytes);
    }
    return lines;
  }

  /** Time passes; the bridge does what is due. */
  pass(durationUs: number): void {
    const endUs = this.nowUs + durationUs;
    while (this.core.timeoutUs <= endUs) {
      this.nowUs = Math.max(this.nowUs, this.core.timeoutUs);
      this.core.handleTimeout(this.nowUs);
    }
    this.nowUs = endUs;
  }

  /** The counts, by asking. */
  get counts(): readonly number[] {
    return this.core.countsAt(this.nowUs);
  }

  #decode(body: Uint8Array): BridgeFrame {
    const decoded = decodeBridgeFrame(body.slice(), FACTS.address.length, this.#impliedFrom);
    if (!decoded.ok) throw new Error(`The bridge said ${decoded.fault}: ${body}.`);
    const frame = decoded.value;
    if (frame.type === "received" && !frame.again) this.#impliedFrom = frame.from.slice();
    return frame;
  }

  #remove(address: Uint8Array): void {
    const index = this.table.findIndex((known) => `${known}` === `${address}`);
    if (index < 0) throw new Error(`The bridge puts out ${address}, which is not in the table.`);
    this.table.splice(index, 1);
  }
}
