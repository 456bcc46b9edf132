import { Random, VirtualClock } from "@fardel/lossy-link";
import { afterAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { updateCrc32 } from "../../core/src/wire/index.js";
import { BoardEndpoint, type BoardMessage, BoardRefusal } from "./board-endpoint.js";
import { C } from "./board-program.js";
import { data, HandPeer, hello } from "./hand-peer.js";
import type { CProgram } from "./support/c-program.js";
import { nativeProgram } from "./support/native-program.js";

const READING = Uint8Array.of(1, 2, 3);
/** Of an unacknowledged message in one datagram of 250 bytes: all but head, frame's first byte, CRC-16. */
const LOOSE_BYTES_MAX = 250 - 13 - 1 - 2;
const OTHER_TOKEN = 0x0bad_cafe;

describe.skipIf(lacksCommands("gcc"))("a small board in C: FARDEL_SMALL", () => {
  let opened: CProgram | undefined;
  afterAll(() => opened?.close());

  const meet = async () => {
    opened ??= nativeProgram("endpoint", "small");
    const peer = new HandPeer();
    const arrived: BoardMessage[] = [];
    const sessions: string[] = [];
    const draws = new Random(4);
    const board = new BoardEndpoint({
      ...{ program: opened, link: peer, clock: new VirtualClock(), linkDepth: 4 },
      random: () => draws.uint32(),
      application: {
        message: (message) => arrived.push(message),
        session: (_address, what, reason) => sessions.push(`${what} ${reason}`),
      },
    });
    await board.open();
    peer.say("opening", 1, hello(8));
    peer.drain();
    peer.say("long", 1);
    peer.drain();
    return { board, peer, arrived, sessions };
  };

  it("believes a peer that comes back at once, and takes what its opening brings", async () => {
    const { board, peer, arrived, sessions } = await meet();
    const { ended } = board.send(peer.address, READING);
    board.pump();
    peer.drain();
    peer.restart(OTHER_TOKEN);
    const reading = data({ fragment: peer.start, first: true, last: true, bytes: READING });
    peer.say("opening", 1, hello(8), reading);
    expect(sessions).toEqual([`opened ${C.ok}`, `ended ${C.peerRestarted}`]);
    expect(await ended).toBe(C.peerRestarted);
    expect(arrived.map(({ bytes }) => bytes)).toEqual([READING]);
    peer.drain();
    peer.say("long", 1);
    expect(sessions.at(-1)).toBe(`opened ${C.ok}`);
    expect(board.fault).toBeUndefined();
  });

  it("sends unacknowledged messages in one datagram only", async () => {
    const { board, peer } = await meet();
    const send = (bytes: number) =>
      board.send(peer.address, new Uint8Array(bytes), { channel: C.loose });
    const { ended } = send(LOOSE_BYTES_MAX);
    board.pump();
    expect(peer.drain()).toHaveLength(1);
    expect(await ended).toBe(C.sent);
    expect(() => send(LOOSE_BYTES_MAX + 1)).toThrow(new BoardRefusal(C.tooLarge));
  });

  it("takes unacknowledged messages in one datagram only", async () => {
    const { board, peer, arrived } = await meet();
    const part = { type: "loose", lane: 0, id: 1, crc32: updateCrc32(0, READING) } as const;
    peer.say("short", 0, {
      ...{ ...part, fragmented: true, index: 0, last: true, bytes: READING },
    });
    expect(arrived).toEqual([]);
    expect(board.held).toBe(0);
    peer.say("short", 0, {
      ...{ ...part, fragmented: false, index: 0, last: false, bytes: READING },
    });
    expect(arrived.map(({ bytes }) => bytes)).toEqual([READING]);
  });
});

describe.skipIf(lacksCommands("gcc"))("a board in C for one peer: FARDEL_ONE_PEER", () => {
  it("does not open for more", () => {
    const program = nativeProgram("endpoint", "sanitized", ["FARDEL_ONE_PEER"]);
    const open = (peers: number) =>
      new BoardEndpoint({
        ...{ program, link: new HandPeer(), clock: new VirtualClock(), peers },
        random: () => 1,
        application: { message: () => {} },
      });
    expect(() => open(1)).not.toThrow();
    expect(() => open(2)).toThrow(`${C.invalid}`);
    program.close();
  });
});
