import { Random, VirtualClock } from "@fardel/lossy-link";
import { afterAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { updateCrc32 } from "../../core/src/wire/index.js";
import { BoardEndpoint, type BoardMessage } from "./board-endpoint.js";
import { C } from "./board-program.js";
import { ack, data, HandPeer, type Heard, hello } from "./hand-peer.js";
import type { CProgram } from "./support/c-program.js";
import { nativeProgram } from "./support/native-program.js";

const CHANNEL = 1;

function bytesOf(count: number): Uint8Array {
  return Uint8Array.from({ length: count }, (_, index) => (index * 31) & 255);
}

function fragments(heard: readonly Heard[]) {
  return heard.flatMap(({ frames }) => frames.filter((frame) => frame.type === "data"));
}

describe.skipIf(lacksCommands("gcc"))("a board in C and a peer that is played by hand", () => {
  let opened: CProgram | undefined;
  afterAll(() => opened?.close());

  const meet = async (mtuBytes?: number) => {
    opened ??= nativeProgram("endpoint", "sanitized");
    const clock = new VirtualClock();
    const peer = new HandPeer(mtuBytes);
    const arrived: BoardMessage[] = [];
    const draws = new Random(4);
    const board = new BoardEndpoint({
      ...{ program: opened, link: peer, clock, linkDepth: 4 },
      random: () => draws.uint32(),
      application: { message: (message) => arrived.push(message) },
    });
    await board.open();
    return { board, peer, clock, arrived };
  };

  it("goes on when what it has taken back had arrived after all: PROTOCOL.md, 5.2", async () => {
    const { board, peer } = await meet();
    const whole = bytesOf(12 * 242);
    const { ended } = board.send(peer.address, whole, { channel: CHANNEL });
    board.pump();
    const [opening] = peer.drain();
    peer.say("long", 0, hello(8), ack({ largest: opening?.number ?? 0, next: peer.boardStart }));
    const first = peer.drain();
    expect(fragments(first).map(({ fragment }) => (fragment - peer.boardStart) & 0xffff)).toEqual([
      0, 1, 2, 3, 4, 5, 6, 7,
    ]);
    // Nothing has come, it seems, and there is room for one: the last ones may be cut anew.
    const last = first.at(-1)?.number ?? 0;
    const next = peer.boardStart;
    peer.say("short", 0, ack({ channel: CHANNEL, largest: last, next, window: 1 }));
    peer.drain();
    // But all of them have.
    const all = (next + 8) & 0xffff;
    peer.say("short", 0, ack({ channel: CHANNEL, largest: last + 1, next: all }));
    const second = peer.drain();
    const got = [...fragments(first), ...fragments(second)];
    expect(got).toHaveLength(13);
    expect(Buffer.concat(got.map(({ bytes }) => bytes))).toEqual(Buffer.from(whole));
    expect(got.at(-1)?.crc32).toBe(updateCrc32(0, whole));
    const end = second.at(-1)?.number ?? 0;
    peer.say("short", 0, ack({ channel: CHANNEL, largest: end, next: (next + 13) & 0xffff }));
    expect(await ended).toBe(C.delivered);
  });

  it("believes no ack of what it has never sent: PROTOCOL.md, 11", async () => {
    const { board, peer } = await meet();
    const { ended } = board.send(peer.address, bytesOf(500), { channel: CHANNEL });
    board.pump();
    const [opening] = peer.drain();
    peer.say("long", 0, hello(8), ack({ largest: opening?.number ?? 0, next: peer.boardStart }));
    const last = peer.drain().at(-1)?.number ?? 0;
    const next = (peer.boardStart + 4) & 0xffff;
    peer.say("short", 0, ack({ channel: CHANNEL, largest: last, next }));
    peer.drain();
    let result = 0;
    void ended.then((end) => {
      result = end;
    });
    await Promise.resolve();
    expect(result).toBe(0);
    const all = (peer.boardStart + 3) & 0xffff;
    peer.say("short", 0, ack({ channel: CHANNEL, largest: last, next: all }));
    expect(await ended).toBe(C.delivered);
  });

  it("does not take what fails the CRC-32, and says so each time: PROTOCOL.md, 5.3", async () => {
    const { board, peer, arrived } = await meet();
    peer.say("opening", 1, hello(8));
    peer.drain();
    const fragment = peer.start;
    const bytes = bytesOf(300);
    const crc32 = updateCrc32(0, bytes);
    const first = { fragment, first: true, total: 300, bytes: bytes.subarray(0, 100) };
    const last = { fragment: fragment + 1, last: true, bytes: bytes.subarray(100) };
    peer.say("long", 1, data(first));
    peer.drain();
    for (let times = 0; times < 3; times++) {
      peer.say("short", 1, data({ ...last, crc32: crc32 ^ 1 }));
      const frames = peer.drain().flatMap((heard) => heard.frames);
      expect(frames).toContainEqual({ type: "stop", channel: 0, first: fragment, reason: 3 });
      expect(frames.find(({ type }) => type === "ack")).toMatchObject({ next: fragment + 1 });
    }
    // Given up, and sent anew with other numbers.
    peer.say("short", 1, { type: "skip", channel: 0, next: fragment + 2 });
    peer.say("short", 1, data({ ...first, fragment: fragment + 2 }));
    peer.say("short", 1, data({ ...last, fragment: fragment + 3, crc32 }));
    expect(arrived.map((message) => message.bytes)).toEqual([bytes]);
    expect(board.fault).toBeUndefined();
    expect(board.held).toBe(0);
  });

  it("takes each fragment once, in any order, and damaged ones behind a gap not at all", async () => {
    const { peer, board, arrived } = await meet();
    peer.say("opening", 1, hello(8));
    peer.say("long", 1);
    const bytes = bytesOf(300);
    const [fragment, crc32] = [peer.start, updateCrc32(0, bytes)];
    const lead = data({ fragment, first: true, last: true, bytes: Uint8Array.of(1) });
    const first = { fragment: fragment + 1, first: true, total: 300, bytes: bytes.subarray(0, 99) };
    const last = { fragment: fragment + 2, last: true, bytes: bytes.subarray(99) };
    peer.say("short", 1, data({ ...last, crc32: crc32 ^ 1 }));
    peer.drain();
    peer.say("short", 1, data(first));
    const stopped = peer.drain().flatMap((heard) => heard.frames);
    expect(stopped).toContainEqual({ type: "stop", channel: 0, first: fragment + 1, reason: 3 });
    peer.say("short", 1, { type: "skip", channel: 0, next: fragment });
    peer.say("short", 1, data({ ...first, fragment: fragment + 3 }));
    for (let times = 0; times < 2; times++)
      peer.say("short", 1, data({ ...last, fragment: fragment + 4, crc32 }));
    peer.say("short", 1, lead);
    peer.say("short", 1, lead);
    peer.say("short", 1, { type: "skip", channel: 0, next: fragment + 3 });
    expect(arrived.map((message) => message.bytes)).toEqual([Uint8Array.of(1), bytes]);
    expect(board.fault).toBeUndefined();
    expect(board.held).toBe(0);
  });

  it("keeps a part of an unacknowledged message for ten seconds: PROTOCOL.md, 11", async () => {
    const { peer, board, clock, arrived } = await meet();
    peer.say("opening", 1, hello(8));
    peer.say("long", 1);
    const part = { type: "loose", lane: 2, fragmented: true, id: 5, crc32: 0 } as const;
    peer.say("short", 0, { ...part, index: 0, last: false, bytes: bytesOf(100) });
    peer.drain();
    await clock.run({ untilUs: 9_999_999 });
    expect(board.held).toBe(1);
    await clock.run({ untilUs: 10_000_000 });
    expect(board.held).toBe(0);
    expect(board.isOpen(peer.address)).toBe(true);
    peer.say("short", 0, { ...part, index: 1, last: true, bytes: bytesOf(9) });
    expect(arrived).toEqual([]);
    expect(board.fault).toBeUndefined();
  });

  it("acknowledges where the long form has no room for it: PROTOCOL.md, 2.3", async () => {
    const { peer, board } = await meet(20);
    peer.say("opening", 1, hello(8, 20));
    peer.drain();
    peer.say("long", 1);
    peer.drain();
    // Nobody acknowledges these, and its numbers run ahead.
    for (let count = 0; count < 1100; count++) {
      board.send(peer.address, Uint8Array.of(1), { channel: C.loose });
      board.pump();
      peer.drain();
    }
    peer.say("short", 1, data({ fragment: peer.start, first: true, last: true }));
    const frames = peer.drain().flatMap((heard) => heard.frames);
    expect(frames.find(({ type }) => type === "ack")).toMatchObject({ next: peer.start + 1 });
  });
});
