import { describe, expect, it } from "vitest";
import type { BridgeFrameVector } from "../../../test/vectors/bridge-vector.js";
import { bytesOf, hexOf, load } from "../../../test/vectors/read.js";
import {
  type BridgeFacts,
  type BridgeFrame,
  encodeBridgeFrame,
  type HelloFrame,
  type TokenOutcome,
} from "../../serial-bridge/src/bridge-frames.js";
import type { Framing } from "../../serial-bridge/src/frame-reader.js";
import { frameBytes } from "../../serial-bridge/src/frame-writer.js";
import type { BoardBridgeCore } from "./board-bridge-core.js";
import { Bench } from "./bridge-bench.js";
import { C } from "./bridge-program.js";
import { describeBridges } from "./bridge-programs.js";
import type { CProgram } from "./support/c-program.js";

type Of<T extends BridgeFrame["type"]> = Extract<BridgeFrame, { type: T }>;

/** On the wire from 1 on: BRIDGE.md, section 5.4. */
const OUTCOMES: readonly TokenOutcome[] = [
  "sent",
  "acknowledged",
  "not-acknowledged",
  "queue-full",
  "lost-on-line",
  "unknown",
  "not-taken",
];

const all = load<BridgeFrameVector>("bridge-frames").filter(
  ({ direction, canonical }) => direction === "to-host" && canonical,
);
/** Frames that a bridge in C writes: it speaks version 1, and tells all its counts. */
const vectors = all.filter((vector) => {
  const frame = frameOf(vector);
  if (frame.type === "hello") return frame.versionMax === 1;
  return frame.type !== "statistics" || frame.counts.length === C.countOfCounts;
});
const largest = all.find(({ name }) => name === "HELLO with the largest values")!;

/** The frame as the codec has it. */
function frameOf({ frame }: BridgeFrameVector): BridgeFrame {
  const text = JSON.stringify(frame);
  return JSON.parse(text, (name: string, value: unknown) => {
    if (["from", "datagram", "address"].includes(name)) return bytesOf(`${value}`);
    if (["host", "bridge"].includes(name)) return Number.parseInt(`${value}`, 16);
    return name === "rssiDbm" && value === null ? undefined : value;
  }) as BridgeFrame;
}

function begun(
  program: CProgram,
  vector: BridgeFrameVector,
  facts: Partial<BridgeFacts> = {},
): Bench {
  const bench = new Bench(program, vector.framing, facts);
  bench.begin(1, vector.impliedHex);
  return bench;
}

/** Brings a bridge to the point where this frame is what it says next. */
function about(program: CProgram, vector: BridgeFrameVector): Bench {
  const frame = frameOf(vector);
  switch (frame.type) {
    case "hello":
      return aboutHello(program, vector, frame);
    case "received":
      return aboutReceived(program, vector, frame);
    case "channel":
      return aboutChannel(program, vector, frame);
    case "status":
      return aboutStatus(program, vector, frame);
    case "statistics": {
      const bench = begun(program, vector);
      bench.board.setCounts(frame.counts);
      // It is a good frame itself.
      const [, good = 0] = frame.counts;
      bench.board.setCounts([frame.counts[0]!, good - 1]);
      bench.say({ type: "statistics-request", request: frame.request });
      return bench;
    }
    case "log": {
      const bench = new Bench(program, vector.framing);
      bench.frames();
      bench.board.log(frame.level, frame.text);
      return bench;
    }
  }
}

function aboutHello(
  program: CProgram,
  { framing }: BridgeFrameVector,
  { host, bridge, facts }: HelloFrame,
): Bench {
  const bench = new Bench(program, framing, facts, bridge);
  if (host !== 0) bench.greet(host);
  return bench;
}

function aboutReceived(program: CProgram, vector: BridgeFrameVector, frame: Of<"received">): Bench {
  const bench = begun(program, vector);
  bench.board.setSequence(frame.sequence);
  const from = frame.again ? bytesOf(vector.impliedHex ?? "") : frame.from;
  bench.board.handleReceived(from, frame.rssiDbm, frame.datagram);
  return bench;
}

function aboutChannel(program: CProgram, vector: BridgeFrameVector, frame: Of<"channel">): Bench {
  const { request, result, channel } = frame;
  const isSet = result === "set";
  const bench = begun(program, vector, {
    channel: isSet ? 99 : channel,
    canSetChannel: result !== "cannot",
  });
  const { board } = bench;
  if (request === 0) {
    board.handleChannelChanged(channel);
    return bench;
  }
  const datagram = new Uint8Array(1);
  const to = new Uint8Array(6);
  if (result === "busy") bench.say({ type: "send", token: 1, to, datagram, again: false });
  bench.say({ type: "channel-request", request, channel: isSet ? channel : 13 });
  board.pollChannel();
  board.handleChannelSet(isSet ? "set" : "not-allowed");
  return bench;
}

function aboutStatus(program: CProgram, vector: BridgeFrameVector, frame: Of<"status">): Bench {
  const bench = begun(program, vector);
  const pairs = frame.outcomes.flatMap(({ token, outcome }) => [
    token,
    OUTCOMES.indexOf(outcome) + 1,
  ]);
  bench.board.setLedger(frame.nextToken, pairs);
  if (frame.request !== 0) bench.say({ type: "status-request", request: frame.request });
  return bench;
}

/** @param hasPause - whether there is a pause before the first */
function framesIn(board: BoardBridgeCore, hasPause: boolean): string[] {
  const frames: string[] = [];
  for (;;) {
    const frame = board.pollBytes(0, hasPause && frames.length === 0);
    if (!frame) return frames;
    frames.push(hexOf(frame));
  }
}

function channelLine(framing: Framing): string {
  const frame = { type: "channel", request: 0, result: "set", channel: 1 } as const;
  return hexOf(frameBytes(encodeBridgeFrame(frame), { framing, leadingDelimiter: false }));
}

describeBridges("frames of a bridge, written by C", (bridge) => {
  it.each(vectors)("$section $name", (vector) => {
    const { lineHex } = vector;
    expect(framesIn(about(bridge.program, vector).board, false)).toEqual([lineHex]);
    // A short frame never stands behind a pause: another one leaves right before it.
    const frame = frameOf(vector);
    const isShort = frame.type === "received" && frame.again;
    const ready = () => {
      const { board } = about(bridge.program, vector);
      if (isShort) board.handleChannelChanged(1);
      return board;
    };
    const delimiter = lineHex.slice(-2);
    const before = isShort ? channelLine(vector.framing) : "";
    const line = delimiter + before + lineHex;
    expect(framesIn(ready(), true).join("")).toBe(line);
    // As much at once as there is, and byte by byte.
    expect(hexOf(ready().pollSome(4096, 0))).toBe(line);
    const slow = ready();
    let singly = "";
    while (slow.hasOutput) singly += hexOf(slow.pollSome(1, 0));
    expect(singly).toBe(line);
  });

  it("5.1 HELLO with the largest values, but of version 1 only", () => {
    const frame = frameOf(largest);
    const [hello] = about(bridge.program, largest).frames();
    expect(hello).toEqual({ ...frame, versionMax: 1 });
  });
});

describe("vectors that a bridge in C does not write", () => {
  it("are HELLO of another version, and STATISTICS without all counts", () => {
    const names = all.filter((vector) => !vectors.includes(vector)).map(({ name }) => name);
    expect(names).toEqual([
      "HELLO with the largest values",
      "STATISTICS that end early",
      "STATISTICS without counts",
    ]);
  });
});
