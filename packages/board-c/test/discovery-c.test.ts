import { Random, VirtualClock } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { isSessionlessSound } from "../../core/src/wire/sessionless-datagram.js";
import { mapBit } from "../../pairing/src/discovery/query-body.js";
import { BoardPairing, type BoardPairingOptions, TAKES, WAY } from "./board-pairing.js";
import { datagramOf } from "./pairing-pair.js";
import { wasmProgram } from "./support/wasm-program.js";

const MS = 1000;
const S = 1_000_000;
const BOARD = Uint8Array.of(2, 0, 0, 0, 0, 0x0b);
const ASKER = Uint8Array.of(2, 0, 0, 0, 0, 0x0a);
const EVERYBODY = new Uint8Array(6).fill(255);
const QUERY = 2;

interface Heard {
  readonly atUs: number;
  readonly to: Uint8Array;
  readonly datagram: Uint8Array;
}

interface Query {
  readonly id?: number;
  readonly spreadMs?: number;
  readonly flags?: number;
  readonly kind?: string;
  readonly prefix?: string;
  readonly map?: Uint8Array;
}

const text = (value: string) => {
  const bytes = new TextEncoder().encode(value);
  return [bytes.length, ...bytes];
};

/** PROTOCOL.md, section 15.2. */
function queryBody({ id = 1, spreadMs = 0, flags = 0, kind = "", prefix = "", map }: Query) {
  const head = new Uint8Array(7);
  const view = new DataView(head.buffer);
  view.setUint32(0, id);
  view.setUint16(4, spreadMs);
  head[6] = flags;
  const bits = map ?? new Uint8Array(0);
  return Uint8Array.from([...head, ...text(kind), ...text(prefix), bits.length, ...bits]);
}

/** A board in C that is only to be found, and all that it says. */
function boardWith(options: Partial<BoardPairingOptions> = {}, seed = 1) {
  const clock = new VirtualClock();
  const draws = new Random(seed);
  const heard: Heard[] = [];
  const board = new BoardPairing({
    ...{ program: wasmProgram("pairing"), clock, address: BOARD },
    random: () => draws.uint32(),
    transmit: (to, datagram) => {
      heard.push({ atUs: clock.nowUs(), to, datagram });
      return true;
    },
    ...options,
  });
  const run = (us: number) => clock.runSync(clock.nowUs() + us);
  const ask = (query: Query, from = ASKER) =>
    board.handleDatagram(from, datagramOf(queryBody(query), QUERY));
  /** Past the announcement of its start. */
  const settle = () => {
    run(S);
    heard.length = 0;
  };
  return { board, clock, heard, run, ask, settle };
}

/** PROTOCOL.md, section 15.1. */
function read(datagram: Uint8Array) {
  expect(isSessionlessSound(datagram)).toBe(true);
  expect([datagram[0], datagram[1]]).toEqual([0x60, 1]);
  const body = datagram.subarray(2, -2);
  const view = new DataView(body.buffer, body.byteOffset);
  const messageAt = 5;
  const messageBytes = 1 << (body[messageAt]! >> 6);
  const message =
    messageBytes === 1
      ? body[messageAt]! & 0x3f
      : messageBytes === 2
        ? view.getUint16(messageAt) & 0x3fff
        : view.getUint32(messageAt) & 0x3fff_ffff;
  let at = messageAt + messageBytes;
  const take = () => {
    const length = body[at]!;
    const value = new TextDecoder("utf-8", { fatal: true }).decode(
      body.subarray(at + 1, at + 1 + length),
    );
    at += 1 + length;
    return value;
  };
  const [kind, name] = [take(), take()];
  expect(at).toBe(body.length);
  const [version, flags, mtuBytes, window] = [body[0], body[1]!, view.getUint16(2), body[4]];
  return { version, flags, mtuBytes, window, message, kind, name };
}

describe.skipIf(lacksCommands("clang", "wasm-ld"))("a board in C announces itself", () => {
  it("once within a second when it starts, and when it is told to, to everybody", () => {
    const at = new Set<number>();
    for (let seed = 1; seed < 20; seed++) {
      const { heard, run, board } = boardWith({}, seed);
      run(S);
      expect(heard.map(({ to }) => to)).toEqual([EVERYBODY]);
      at.add(Math.floor((heard[0]?.atUs ?? 0) / (S / 4)));
      run(10 * S);
      expect(heard.length).toBe(1);
      board.announce();
      run(S);
      expect(heard.length).toBe(2);
    }
    expect(at.size).toBe(4);
  });

  it("with all that it is", () => {
    const { heard, run } = boardWith({
      ...{ kind: "row-station", name: "row 4", mtuBytes: 250, window: 8, messageBytesMax: 4096 },
      takes: TAKES.plain + TAKES.protected,
      hasCrypto: false,
    });
    run(S);
    expect(read(heard[0]!.datagram)).toEqual({
      ...{ version: 1, flags: 6, mtuBytes: 250, window: 8, message: 4096 },
      ...{ kind: "row-station", name: "row 4" },
    });
  });

  it("in pairing mode every 200 to 600 ms, with the ways that are open", () => {
    const claim = new Uint8Array(32).fill(7);
    const { board, heard, run, settle } = boardWith({ claim, isCable: true, show: () => {} });
    settle();
    board.start(WAY.cable + WAY.code, 20 * S);
    run(30 * S);
    const gaps = heard.slice(1).map(({ atUs }, at) => atUs - heard[at]!.atUs);
    for (const gap of gaps) {
      expect(gap).toBeGreaterThanOrEqual(200 * MS);
      expect(gap).toBeLessThan(600 * MS);
    }
    expect(Math.max(...gaps) - Math.min(...gaps)).toBeGreaterThan(200 * MS);
    expect(heard.length).toBeGreaterThan(20_000 / 450);
    // In pairing mode, plain; cable, code, renew.
    expect(read(heard[0]!.datagram).flags).toBe(0x80 + 0x20 + 0x10 + 2 + 1);
    // The last one that had been planned comes when the mode is over, and says so.
    expect(heard.filter(({ datagram }) => !(read(datagram).flags & 1)).length).toBe(1);
  });

  it("cuts its name between characters where the MTU is small", () => {
    const name = "Reihe 4 über dem Bach – ganz";
    for (let mtuBytes = 23; mtuBytes < 80; mtuBytes++) {
      const { heard, run } = boardWith({ mtuBytes, name, kind: "row-station" });
      run(S);
      const { datagram } = heard[0]!;
      expect(datagram.length).toBeLessThanOrEqual(mtuBytes);
      const told = read(datagram).name;
      expect(name.startsWith(told)).toBe(true);
      const missing = new TextEncoder().encode(name[told.length] ?? "").length;
      if (told !== name) expect(datagram.length + missing).toBeGreaterThan(mtuBytes);
    }
    expect(() => boardWith({ mtuBytes: 22, name, kind: "row-station" })).toThrow("-1");
  });

  it("takes no kind of more than 16 bytes, nor a name of more than 32", () => {
    expect(() => boardWith({ kind: "k".repeat(17) })).toThrow("-1");
    expect(() => boardWith({ name: "n".repeat(33) })).toThrow("-1");
    boardWith({ kind: "k".repeat(16), name: "n".repeat(32) });
  });
});

describe.skipIf(lacksCommands("clang", "wasm-ld"))("a board in C answers queries", () => {
  it("to the asker alone, at a random time within the spread", () => {
    const at: number[] = [];
    for (let seed = 1; seed < 40; seed++) {
      const { heard, run, ask, settle, clock } = boardWith({}, seed);
      settle();
      const askedUs = clock.nowUs();
      expect(ask({ spreadMs: 800 })).toBe(true);
      run(S);
      expect(heard.map(({ to }) => to)).toEqual([ASKER]);
      at.push(heard[0]!.atUs - askedUs);
    }
    expect(Math.max(...at)).toBeLessThan(800 * MS);
    expect(Math.max(...at)).toBeGreaterThan(600 * MS);
    expect(Math.min(...at)).toBeLessThan(200 * MS);
    const { heard, run, ask, settle } = boardWith();
    settle();
    ask({ spreadMs: 0 });
    run(1);
    expect(heard.length).toBe(1);
  });

  it.each<[string, Query, boolean]>([
    ["of its kind", { kind: "row-station" }, true],
    ["of another kind", { kind: "row-statio" }, false],
    ["of a longer kind", { kind: "row-station-2" }, false],
    ["for the beginning of its name", { prefix: "row" }, true],
    ["for its whole name", { prefix: "row 4" }, true],
    ["for another name", { prefix: "row 5" }, false],
    ["for a longer name", { prefix: "row 44" }, false],
    ["for whoever is in pairing mode", { flags: 1 }, false],
    ["with flags that nobody knows", { flags: 0xfe }, true],
  ])("%s", (_name, query, isAnswered) => {
    const { heard, run, ask, settle } = boardWith({ kind: "row-station", name: "row 4" });
    settle();
    ask(query);
    run(S);
    expect(heard.length).toBe(isAnswered ? 1 : 0);
  });

  it("for its name as far as that is announced", () => {
    const { heard, run, ask, settle } = boardWith({
      mtuBytes: 26,
      name: "row 4",
      kind: "row-station",
    });
    run(S);
    expect(read(heard[0]!.datagram).name).toBe("row");
    settle();
    ask({ id: 1, prefix: "row" });
    run(S);
    ask({ id: 2, prefix: "row 4" });
    run(S);
    expect(heard.length).toBe(1);
  });

  it("in pairing mode those that are for whoever is", () => {
    const { heard, run, ask, settle, board } = boardWith({ isCable: true });
    settle();
    board.start(WAY.cable);
    ask({ flags: 1 });
    run(1);
    expect(heard.map(({ to }) => to)).toEqual([ASKER]);
  });

  it("unless its bit in the map is set", () => {
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: 2 ** 32 - 1 }),
        fc.integer({ min: 1, max: 40 }),
        fc.boolean(),
        (id, mapBytes, isHeard) => {
          const { heard, run, ask, settle } = boardWith();
          settle();
          const at = mapBit(id, BOARD, mapBytes);
          const map = new Uint8Array(mapBytes).fill(isHeard ? 0 : 255);
          map[at >> 3]! ^= 0x80 >> (at & 7);
          ask({ id, map });
          run(1);
          expect(heard.length).toBe(isHeard ? 0 : 1);
        },
      ),
    );
  });

  it("and nobody silences it by asking for late answers", () => {
    const { heard, run, ask, settle } = boardWith();
    settle();
    ask({ id: 1, spreadMs: 100 });
    for (let id = 2; id < 6; id++) {
      run(5 * MS);
      ask({ id, spreadMs: 65_535 }, Uint8Array.of(2, 0, 0, 0, 0, id));
    }
    run(S);
    expect(heard.some(({ to }) => String(to) === String(ASKER))).toBe(true);
  });

  it("each once", () => {
    const { heard, run, ask, settle } = boardWith();
    settle();
    for (const id of [1, 2, 3, 4]) {
      ask({ id });
      run(S);
    }
    expect(heard.length).toBe(4);
    for (const id of [1, 2, 3, 4]) {
      ask({ id });
      run(S);
    }
    expect(heard.length).toBe(4);
    ask({ id: 1 }, BOARD);
    run(S);
    expect(heard.length).toBe(5);
  });

  it("one at a time: a later query takes the place of one that waits", () => {
    const { heard, run, ask, settle } = boardWith();
    settle();
    ask({ id: 1, spreadMs: 3000 });
    ask({ id: 2, spreadMs: 3000 }, EVERYBODY);
    run(5 * S);
    expect(heard.map(({ to }) => to)).toEqual([EVERYBODY]);
  });

  it("at most four a second on average, eight in a row", () => {
    const { heard, run, ask, settle } = boardWith();
    settle();
    let id = 1;
    const storm = (seconds: number) => {
      for (let i = 0; i < seconds * 100; i++) {
        ask({ id: id++ });
        run(10 * MS);
      }
    };
    for (let i = 0; i < 100; i++) {
      ask({ id: id++ });
      run(1);
    }
    expect(heard.length).toBe(8);
    storm(20);
    expect(heard.length).toBeGreaterThan(80);
    expect(heard.length).toBeLessThanOrEqual(8 + 80 + 1);
    run(10 * S);
    heard.length = 0;
    storm(1);
    expect(heard.length).toBeLessThanOrEqual(8 + 4);
    expect(heard.length).toBeGreaterThanOrEqual(8 + 3);
  });

  it("and no malformed ones", () => {
    const whole = queryBody({ kind: "row-station", prefix: "row", map: new Uint8Array(3) });
    for (let bytes = 0; bytes <= whole.length; bytes++) {
      const { heard, run, board, settle } = boardWith();
      settle();
      expect(board.handleDatagram(ASKER, datagramOf(whole.slice(0, bytes), QUERY))).toBe(true);
      run(S);
      expect(heard.length).toBe(bytes === whole.length ? 1 : 0);
    }
  });

  it("passes over what lies behind the known fields, other kinds, and what is damaged", () => {
    const { heard, run, board, settle } = boardWith();
    settle();
    const longer = Uint8Array.from([...queryBody({ id: 1 }), 1, 2, 3]);
    board.handleDatagram(ASKER, datagramOf(longer, QUERY));
    run(S);
    expect(heard.length).toBe(1);
    expect(board.handleDatagram(ASKER, datagramOf(queryBody({ id: 2 }), 4))).toBe(true);
    const damaged = datagramOf(queryBody({ id: 3 }), QUERY);
    damaged[5]! ^= 1;
    expect(board.handleDatagram(ASKER, damaged)).toBe(true);
    expect(board.handleDatagram(ASKER, Uint8Array.of(0x60))).toBe(true);
    run(S);
    expect(heard.length).toBe(1);
    // Those of sessions are the endpoint's.
    for (const head of [0x40, 0x48, 0x50, 0x58, 0x61, 0x68])
      expect(board.handleDatagram(ASKER, Uint8Array.of(head, 2, 3, 4, 5))).toBe(false);
    expect(board.handleDatagram(ASKER, new Uint8Array(0))).toBe(false);
  });

  it("any bytes do no harm", () => {
    const { board, run, settle } = boardWith();
    settle();
    fc.assert(
      fc.property(
        fc.integer({ min: 0, max: 4 }),
        fc.uint8Array({ maxLength: 200 }),
        (kind, body) => {
          expect(board.handleDatagram(ASKER, datagramOf(body, kind))).toBe(true);
          run(MS);
        },
      ),
      { numRuns: 1000 },
    );
  });
});
