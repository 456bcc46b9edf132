import { Random, VirtualClock } from "@fardel/lossy-link";
import { afterAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { updateCrc32 } from "../../core/src/wire/index.js";
import { BoardEndpoint, type BoardMessage, BoardRefusal } from "./board-endpoint.js";
import { C, KIND, type Piece } from "./board-program.js";
import { data, HandPeer, hello } from "./hand-peer.js";
import type { CProgram } from "./support/c-program.js";
import { nativeProgram } from "./support/native-program.js";

const OTHER = Uint8Array.of(2, 0, 0, 0, 0, 8);
const READING = Uint8Array.of(1, 2, 3);
const LATEST_CHANNEL = 10;
const REQUEST_CHANNEL = 14;
const ID = 5;
/** Messages that an application which never stops sends from within callbacks, until it does stop. */
const MORE = 9;

/** A board with room for one peer, and what happens to it, in order. */
class Row {
  readonly peer = new HandPeer();
  readonly clock = new VirtualClock();
  readonly arrived: BoardMessage[] = [];
  readonly sessions: string[] = [];
  /** Calls of the C code, and the ends of messages that it tells. */
  readonly log: string[] = [];
  readonly board: BoardEndpoint;
  takes: (piece: Piece) => "taken" = () => "taken";
  /** From within `ended`. */
  onEnded: (result: number) => void = () => {};
  /** What the last fardel_poll() returned. */
  waitUs = -1;

  constructor(program: CProgram) {
    const draws = new Random(4);
    this.board = new BoardEndpoint({
      ...{ program, link: this.peer, clock: this.clock, linkDepth: 4, peers: 1 },
      random: () => draws.uint32(),
      application: {
        takes: (piece) => this.takes(piece),
        message: (message) => this.arrived.push(message),
        session: (_address, what, reason) => this.sessions.push(`${what} ${reason}`),
      },
      record: (what, [first = 0, result = 0]) => {
        if (what === "wait") this.waitUs = first;
        if (/_(send|poll|forget)$/.test(what)) this.log.push(what);
        if (what !== "ended") return;
        this.log.push(`ended ${result}`);
        this.onEnded(result);
      },
    });
  }

  /** @returns what fardel_send() answers */
  send(to: Uint8Array, channel = 1): number {
    try {
      this.board.send(to, READING, { channel });
      return C.ok;
    } catch (error) {
      if (error instanceof BoardRefusal) return error.result;
      throw error;
    }
  }

  /** A session that both sides know to be open. */
  meet(): void {
    this.peer.say("opening", 1, hello(8));
    this.peer.drain();
    this.peer.say("long", 1);
    this.peer.drain();
  }
}

describe.skipIf(lacksCommands("gcc"))("a board in C with room for one peer", () => {
  let opened: CProgram | undefined;
  afterAll(() => opened?.close());

  const open = async () => {
    opened ??= nativeProgram("endpoint", "sanitized");
    const row = new Row(opened);
    await row.board.open();
    return row;
  };

  it("ends an older value in fardel_poll, not within fardel_send", async () => {
    const row = await open();
    const { log } = row;
    row.meet();
    log.length = 0;
    // Each end brings another value, from within the callback: a poll ends those only that it has found.
    let more = MORE;
    row.onEnded = () => {
      if (more-- > 0) row.send(row.peer.address, LATEST_CHANNEL);
    };
    row.send(row.peer.address, LATEST_CHANNEL);
    row.send(row.peer.address, LATEST_CHANNEL);
    expect(log).toEqual(["endpoint_send", "endpoint_send"]);
    row.board.pump();
    const replaced = `ended ${C.replaced}`;
    expect(log.slice(2)).toEqual([
      ...["endpoint_poll", replaced, "endpoint_send", replaced, "endpoint_send"],
    ]);
    // The one that is void by now is not sent any more; it ends as soon as may be.
    expect(row.waitUs).toBe(0);
    const sent = row.peer.heard.flatMap(({ frames }) => frames);
    expect(sent.filter(({ type }) => type === "data")).toHaveLength(1);
  });

  it("says that an older value is replaced, whatever would have ended it until then", async () => {
    const row = await open();
    row.meet();
    row.send(row.peer.address, LATEST_CHANNEL);
    row.send(row.peer.address, LATEST_CHANNEL);
    row.board.closePeer(row.peer.address);
    expect(row.log.filter((word) => word.startsWith("ended"))).toEqual([
      ...[`ended ${C.replaced}`, `ended ${C.cancelled}`],
    ]);
  });

  it("does not give a place away whose own callback asks for it", async () => {
    const row = await open();
    row.meet();
    const answers: number[] = [];
    row.takes = () => {
      answers.push(row.send(OTHER));
      return "taken";
    };
    const { start } = row.peer;
    const [first, last] = [READING, READING];
    const bytes = Uint8Array.of(...first, ...last);
    const crc32 = updateCrc32(0, bytes);
    row.peer.say("short", 1, data({ fragment: start, first: true, total: 6, bytes: first }));
    row.peer.say("short", 1, data({ fragment: start + 1, last: true, crc32, bytes: last }));
    expect(answers).toEqual([C.noPeer, C.noPeer]);
    expect(row.arrived.map((message) => message.bytes)).toEqual([bytes]);
    expect(row.board.fault).toBeUndefined();
    // Nothing is under way now: whoever asks from elsewhere gets the place.
    expect(row.send(OTHER)).toBe(C.ok);
    expect(row.sessions).toEqual([`opened ${C.ok}`, `ended ${C.cancelled}`]);
  });

  it("takes the place of a stranger, whose replies end in fardel_poll", async () => {
    const row = await open();
    row.takes = () => {
      row.board.send(row.peer.address, READING, {
        ...{ channel: REQUEST_CHANNEL, kind: KIND.reply, id: ID },
      });
      return "taken";
    };
    const request = Uint8Array.of(KIND.request, 0, ID, ...READING);
    row.peer.say(
      ...(["opening", 1, hello(8)] as const),
      data({
        ...{ channel: REQUEST_CHANNEL, fragment: row.peer.start },
        ...{ first: true, last: true, bytes: request },
      }),
    );
    expect(row.arrived).toHaveLength(1);
    row.log.length = 0;
    expect(row.send(OTHER)).toBe(C.ok);
    expect(row.log).toEqual(["endpoint_send"]);
    row.board.pump();
    expect(row.log).toEqual(["endpoint_send", "endpoint_poll", `ended ${C.cancelled}`]);
    expect(row.sessions).toEqual([]);
  });

  it("ends the replies of strangers that displace each other, one fardel_poll after the other", async () => {
    const row = await open();
    const reply = (to: Uint8Array) =>
      row.board.send(to, READING, { channel: REQUEST_CHANNEL, kind: KIND.reply, id: ID });
    let more = MORE;
    row.onEnded = () => {
      if (more-- > 0) reply(more % 2 ? OTHER : row.peer.address);
    };
    reply(row.peer.address);
    reply(OTHER);
    row.log.length = 0;
    row.board.pump();
    expect(row.log).toEqual(["endpoint_poll", `ended ${C.cancelled}`, "endpoint_send"]);
    expect(row.waitUs).toBe(0);
  });

  it("ends what is sent to a peer while it is being forgotten", async () => {
    const row = await open();
    row.meet();
    row.onEnded = () => {
      row.onEnded = () => {};
      row.send(row.peer.address);
    };
    row.send(row.peer.address);
    row.log.length = 0;
    row.board.forgetPeer(row.peer.address);
    const cancelled = `ended ${C.cancelled}`;
    expect(row.log).toEqual([
      ...["endpoint_forget", cancelled, "endpoint_send", "endpoint_poll", cancelled],
    ]);
    expect(row.send(OTHER)).toBe(C.ok);
  });
});
