import { expect, it } from "vitest";
import type {
  BridgeFrameJson,
  BridgeFrameVector,
  BridgeLineVector,
  BridgeRefusalVector,
  BridgeVector,
} from "../../../test/vectors/bridge-vector.js";
import { bytesOf, hexOf, load } from "../../../test/vectors/read.js";
import type { BoardBridgeCore } from "./board-bridge-core.js";
import { Bench } from "./bridge-bench.js";
import { describeBridges } from "./bridge-programs.js";
import type { CProgram } from "./support/c-program.js";

const accepted = load<BridgeFrameVector>("bridge-frames");
const refused = load<BridgeRefusalVector>("bridge-refusals");
const lines = load<BridgeLineVector>("bridge-lines");
const UNENDED = "before one that does not end";
const toBridge = ({ direction }: BridgeVector) => direction === "to-bridge";

function benchOf(program: CProgram, { framing, addressBytes }: BridgeVector): Bench {
  return new Bench(program, framing, { address: new Uint8Array(addressBytes) });
}

/** How far each count has gone up; the time stands still. */
function countsIn(board: BoardBridgeCore, act: () => void): number[] {
  const before = board.countsAt(0);
  act();
  return board.countsAt(0).map((count, index) => count - before[index]!);
}

/** Ways in which the same frame may come, and how much is damaged on the way. */
function ways(lineHex: string): { name: string; pieces: Uint8Array[]; damaged: number }[] {
  const bytes = bytesOf(lineHex);
  const delimiter = bytes.at(-1)!;
  const singly = Array.from(bytes, (byte) => Uint8Array.of(byte));
  const unended = Uint8Array.of(...bytes, ...bytes.subarray(0, -1));
  const garbage = Uint8Array.of(0x55, 0xff, 0x11, delimiter, ...bytes);
  return [
    { name: "whole", pieces: [bytes], damaged: 0 },
    { name: "singly", pieces: singly, damaged: 0 },
    { name: UNENDED, pieces: [unended], damaged: 0 },
    { name: "behind garbage", pieces: [garbage], damaged: 1 },
  ];
}

/** What the bridge does because of a frame. */
function effectOf(bench: Bench, frame: BridgeFrameJson): unknown {
  const { board } = bench;
  switch (frame.type) {
    case "send": {
      const order = board.pollTransmit(0);
      bench.say({ type: "status-request", request: 1 });
      return [order && hexOf(order.to), order && hexOf(order.datagram), bench.frames()];
    }
    case "channel-request": {
      const channel = board.pollChannel();
      board.handleChannelSet("set");
      return [channel, bench.frames()];
    }
    default:
      return [board.isInSession, bench.frames()];
  }
}

/** What it must do. */
function expectedOf(frame: BridgeFrameJson): unknown {
  const { request, token, channel } = frame as { [name: string]: number };
  switch (frame.type) {
    case "hello-request": {
      const host = Number.parseInt(`${frame.host}`, 16);
      return [true, [expect.objectContaining({ type: "hello", host })]];
    }
    case "send": {
      const nextToken = (token! + 1) & 0xff;
      const answer = expect.objectContaining({ type: "status", request: 1, nextToken });
      return [frame.to, frame.datagram, [answer]];
    }
    case "channel-request":
      return [channel, [{ type: "channel", request, result: "set", channel }]];
    case "status-request":
      return [true, [expect.objectContaining({ type: "status", request })]];
    case "statistics-request":
      return [true, [expect.objectContaining({ type: "statistics", request })]];
    default:
      return [false, []];
  }
}

describeBridges("frames of the host, read by C", (bridge) => {
  const vectors = accepted.filter(toBridge);

  it.each(vectors)("$section $name", (vector) => {
    const { frame, lineHex, impliedHex } = vector;
    for (const { name, pieces, damaged } of ways(lineHex)) {
      const bench = benchOf(bridge.program, vector);
      bench.begin(typeof frame.token === "number" ? frame.token : 0, impliedHex);
      const counts = countsIn(bench.board, () => {
        for (const piece of pieces) bench.board.handleBytes(piece, 0);
      });
      expect([name, counts[1], counts[2], counts[3], counts[8]]).toEqual([name, 1, damaged, 0, 0]);
      // There the next frame of the host would be its end.
      if (name === UNENDED) continue;
      expect([name, effectOf(bench, frame)]).toEqual([name, expectedOf(frame)]);
    }
  });

  it.each(refused.filter(toBridge))("$section $name: refused", (vector) => {
    for (const { name, pieces, damaged } of ways(vector.lineHex)) {
      const bench = benchOf(bridge.program, vector);
      bench.begin(0, vector.impliedHex);
      const counts = countsIn(bench.board, () => {
        for (const piece of pieces) bench.board.handleBytes(piece, 0);
      });
      const isUnknown = vector.fault === "unknown-type";
      const expected = [1, damaged + (isUnknown ? 0 : 1), isUnknown ? 1 : 0];
      expect([name, ...counts.slice(1, 4)]).toEqual([name, ...expected]);
      const { board } = bench;
      expect([board.isInSession, board.pollTransmit(0), board.pollChannel()]).toEqual([
        true,
        undefined,
        undefined,
      ]);
      expect(board.hasOutput).toBe(false);
    }
  });
});

describeBridges("lines, read by C", (bridge) => {
  it.each(lines)("$section $name", (vector) => {
    const { framing, bodyBytesMax, impliedHex, lineHex, damaged, tooLong } = vector;
    const bytes = bytesOf(lineHex);
    const read = (act: (board: BoardBridgeCore) => void) => {
      // A SEND to an address of six bytes is the longest frame.
      const bench = new Bench(bridge.program, framing, { mtuBytes: bodyBytesMax - 8 });
      bench.begin(8, impliedHex);
      const { board } = bench;
      return countsIn(board, () => act(board)).slice(1, 3);
    };
    const bodiesHex: string[] = [];
    const singly = read((board) => {
      for (const body of board.watchBytes(bytes, 0)) bodiesHex.push(hexOf(body));
    });
    expect(bodiesHex).toEqual(vector.bodiesHex);
    expect(singly).toEqual([bodiesHex.length, damaged + tooLong]);
    expect(read((board) => board.handleBytes(bytes, 0))).toEqual(singly);
  });
});
