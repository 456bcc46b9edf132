import type { Clock } from "@fardel/core";
import {
  type BridgeFacts,
  type BridgeFrame,
  decodeHostFrame,
  encodeBridgeFrame,
  type HelloFrame,
  type HostFrame,
  type TokenOutcome,
} from "../bridge-frames.js";
import type { BytePort } from "../byte-port.js";
import { FrameReader, type Framing } from "../frame-reader.js";
import { TYPE } from "../frame-types.js";
import { frameBytes } from "../frame-writer.js";
import { MemoryLine, type MemoryLineOptions } from "../memory-port.js";
import { SerialBridgeLink } from "../serial-bridge-link.js";
import type { SerialBridgeOptions } from "../serial-bridge-options.js";

/** For tests: a board that does what a test wants, at the far end of a line in memory. */

export const FACTS: BridgeFacts = {
  mtuBytes: 250,
  queue: 4,
  peersMax: 20,
  canBroadcast: true,
  canSetChannel: true,
  tellsAcknowledgement: true,
  channel: 6,
  airtimeFixedUs: 896,
  airtimePerByteNs: 8000,
  address: Uint8Array.of(2, 0, 0, 0, 0, 0xb1),
  name: "orchard bridge",
};
export const STATION = Uint8Array.of(2, 0, 0, 0, 0, 0x11);
export const OTHER_STATION = Uint8Array.of(2, 0, 0, 0, 0, 0x12);

/** A body that stands for itself: frames that the codec would not make. */
export type BoardFrame = BridgeFrame | { readonly type: "raw"; readonly body: Uint8Array };

export class FakeBoard {
  /** Undamaged frames of the host. */
  readonly heard: HostFrame[] = [];
  facts: BridgeFacts = FACTS;
  versions: [min: number, max: number] = [1, 1];
  bridge = 1;
  host = 0;
  nextToken = 0;
  /** What becomes of a datagram; `undefined`: nothing is said about it. */
  outcome: TokenOutcome | undefined = "acknowledged";
  isDeaf = false;
  isMute = false;
  readonly #framing: Framing;
  readonly #reader: FrameReader;
  #impliedTo: Uint8Array | undefined;
  #port: BytePort | undefined;
  #isWriting = false;
  readonly #output: Uint8Array[] = [];

  constructor(
    readonly line: MemoryLine,
    framing: Framing = "cobs",
  ) {
    this.#framing = framing;
    this.#reader = new FrameReader(framing, 2000, (type) =>
      type === TYPE.sendAgain ? this.#impliedTo : undefined,
    );
  }

  async open(bitRate = 115_200): Promise<void> {
    this.#port = await this.line.board.open(bitRate, {
      onBytes: (bytes) => {
        if (!this.isDeaf) this.#reader.push(bytes, { onFrame: (body) => this.#handle(body) });
      },
      onClosed: () => {},
    });
  }

  /** A new life: nothing is remembered. */
  restart(chatter = ""): void {
    this.bridge++;
    this.host = 0;
    this.nextToken = 0;
    this.#impliedTo = undefined;
    if (chatter !== "") this.writeText(chatter);
    this.write(this.#hello(0));
  }

  write(...frames: BoardFrame[]): void {
    if (this.isMute) return;
    for (const frame of frames) {
      const body = frame.type === "raw" ? frame.body : encodeBridgeFrame(frame);
      const seed = frame.type === "received" && frame.again ? frame.from : undefined;
      this.#emit(frameBytes(body, { framing: this.#framing, leadingDelimiter: true, seed }));
    }
  }

  writeText(text: string): void {
    this.#emit(new TextEncoder().encode(text));
  }

  get types(): string[] {
    return this.heard.map(({ type }) => type);
  }

  /** One write at a time, as any port wants it. */
  #emit(bytes: Uint8Array): void {
    this.#output.push(bytes);
    this.#flush();
  }

  #flush(): void {
    const bytes = this.#isWriting ? undefined : this.#output.shift();
    if (!bytes) return;
    this.#isWriting = true;
    this.#port?.write(bytes, () => {
      this.#isWriting = false;
      this.#flush();
    });
  }

  #handle(body: Uint8Array): void {
    const decoded = decodeHostFrame(body, this.facts.address.length, this.#impliedTo);
    if (!decoded.ok) return;
    const frame = decoded.value;
    if (frame.type === "send") {
      this.#impliedTo = frame.to.slice();
      this.heard.push({ ...frame, to: frame.to.slice(), datagram: frame.datagram.slice() });
    } else this.heard.push(frame);
    this.answer(frame);
  }

  /** What the board does with a frame; a test may put its own in the place of this. */
  answer(frame: HostFrame): void {
    switch (frame.type) {
      case "hello-request":
        if (frame.host !== this.host) this.nextToken = 0;
        this.host = frame.host;
        this.write(this.#hello(frame.host));
        break;
      case "send":
        this.nextToken = (frame.token + 1) & 0xff;
        if (this.outcome) this.status([[frame.token, this.outcome]]);
        break;
      case "status-request":
        this.status([], frame.request);
        break;
      case "channel-request": {
        const { request, channel } = frame;
        this.facts = { ...this.facts, channel };
        this.write({ type: "channel", request, result: "set", channel });
        break;
      }
      case "statistics-request":
        this.write({ type: "statistics", request: frame.request, counts: [12, 34, 5] });
        break;
      case "goodbye":
        this.host = 0;
    }
  }

  status(pairs: readonly [number, TokenOutcome][], request = 0): void {
    const outcomes = pairs.map(([token, outcome]) => ({ token, outcome }));
    this.write({ type: "status", request, nextToken: this.nextToken, outcomes });
  }

  #hello(host: number): HelloFrame {
    const [versionMin, versionMax] = this.versions;
    return { type: "hello", versionMin, versionMax, host, bridge: this.bridge, facts: this.facts };
  }
}

/** What of a `VirtualClock` is needed: this file is among the sources, and they import none. */
export interface RunnableClock extends Clock {
  readonly timerCount: number;
  run(options: { until?: () => boolean; untilUs?: number }): Promise<unknown>;
}

export interface Bench {
  readonly clock: RunnableClock;
  readonly line: MemoryLine;
  readonly board: FakeBoard;
  /** Connect, at the board's bit rate unless told otherwise. */
  connect(options?: SerialBridgeOptions): Promise<SerialBridgeLink>;
  /** Let time pass until a promise is settled. */
  settled<T>(promise: Promise<T>, withinUs?: number): Promise<T>;
  pass(durationUs: number): Promise<void>;
}

/** @param clock - stands at 0 */
export async function fakeBench(
  clock: RunnableClock,
  options: Partial<MemoryLineOptions> = {},
): Promise<Bench> {
  const line = new MemoryLine({ clock, ...options });
  const board = new FakeBoard(line);
  await board.open();
  let draws = 0;
  const random = () => 1000 + ++draws;
  const settled: Bench["settled"] = async (promise, withinUs = 60_000_000) => {
    let isSettled = false;
    const note = () => {
      isSettled = true;
    };
    promise.then(note, note);
    await clock.run({ until: () => isSettled, untilUs: clock.nowUs() + withinUs });
    if (!isSettled) throw new Error(`Not settled after ${withinUs / 1e6} s.`);
    return promise;
  };
  return {
    clock,
    line,
    board,
    settled,
    connect: (more = {}) => {
      const rate = more.bitRates ? {} : { bitRate: 115_200 };
      return settled(SerialBridgeLink.connect(line.host, { clock, random, ...rate, ...more }));
    },
    pass: async (durationUs) => {
      await clock.run({ untilUs: clock.nowUs() + durationUs });
    },
  };
}
