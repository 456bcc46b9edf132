import fc from "fast-check";
import { expect, it } from "vitest";
import { CRC16_START, updateCrc16 } from "../../core/src/wire.js";
import type { RadioOrder } from "../../serial-bridge/src/bridge/bridge-core.js";
import { encodeBridgeFrame, encodeHostFrame } from "../../serial-bridge/src/bridge-frames.js";
import { FrameReader } from "../../serial-bridge/src/frame-reader.js";
import { TYPE } from "../../serial-bridge/src/frame-types.js";
import { frameBytes } from "../../serial-bridge/src/frame-writer.js";
import { configOf } from "./board-bridge-core.js";
import { Bench } from "./bridge-bench.js";
import { type BridgeConfig, C, configBytes, TOLD } from "./bridge-program.js";
import { describeBridges, type RunningBridge } from "./bridge-programs.js";
import { anyBridge } from "./bridge-steps.js";

const S = 1_000_000;
const CONFIG: BridgeConfig = {
  airtimePerByteNs: 8000,
  airtimeFixedUs: 896,
  mtuBytes: 50,
  textBytes: 0,
  queue: 4,
  heard: 4,
  peers: 3,
  radioDepth: 1,
  channel: 6,
  abilities: C.canBroadcast,
  framing: "cobs",
  canSetChannel: true,
  address: Uint8Array.of(2, 0, 0, 0, 0, 0xb1),
  name: "orchard bridge",
};
/** Where the framing stands in {@link configBytes}. */
const FRAMING_AT = 4 * 11 + 3;

function opened(bridge: RunningBridge, config: Partial<BridgeConfig>, incarnation = 1): number {
  const bytes = configBytes({ ...CONFIG, ...config });
  return bridge.program.call(() => 0, "bridge_open", [bytes.length, incarnation, 0], bytes);
}

function station(number: number): Uint8Array {
  return Uint8Array.of(2, 0, 0, 0, 0, number);
}

/** Outcomes that come unasked, or by asking, as `token: outcome`. */
function outcomesOf(bench: Bench): string[] {
  return bench
    .frames()
    .flatMap((frame) => (frame.type === "status" ? frame.outcomes : []))
    .map(({ token, outcome }) => `${token}: ${outcome}`);
}

describeBridges("opening a bridge in C", (bridge) => {
  it.each<Partial<BridgeConfig>>([
    { mtuBytes: 20 },
    { mtuBytes: 1500 },
    { address: new Uint8Array(1) },
    { address: new Uint8Array(18) },
    { queue: 1 },
    { queue: 64 },
    { heard: 1 },
    { heard: 255 },
    { peers: 0 },
    { peers: 255 },
    { name: "" },
    { name: "ü".repeat(32) },
    { abilities: C.canBroadcast + C.tellsAcknowledgement },
  ])("takes %j", (config) => {
    expect(opened(bridge, config)).toBeGreaterThan(0);
  });

  it.each<Partial<BridgeConfig>>([
    { mtuBytes: 19 },
    { mtuBytes: 1501 },
    { address: new Uint8Array(0) },
    { address: new Uint8Array(19) },
    { queue: 0 },
    { queue: 65 },
    { heard: 0 },
    { radioDepth: 0 },
    { name: "x".repeat(65) },
    { abilities: 2 },
    { abilities: 8 },
  ])("refuses %j", (config) => {
    expect(opened(bridge, config)).toBe(C.invalid);
  });

  it("refuses an incarnation of 0, and framing that there is not", () => {
    expect(opened(bridge, {}, 0)).toBe(C.invalid);
    const bytes = configBytes(CONFIG);
    bytes[FRAMING_AT] = 2;
    expect(bridge.program.call(() => 0, "bridge_open", [bytes.length, 1, 0], bytes)).toBe(
      C.invalid,
    );
  });

  it("needs as much memory as it says, by the macro and by the function", () => {
    fc.assert(
      fc.property(anyBridge, fc.nat(600), (options, textBytes) => {
        const bytes = configBytes({ ...configOf(options), textBytes });
        const ask = (name: string, ...ints: number[]) =>
          bridge.program.call(() => 0, name, [bytes.length, ...ints], bytes);
        expect(ask("bridge_bytes_differ")).toBe(0);
        expect(ask("bridge_open_short", 0)).toBe(C.ok);
        expect(ask("bridge_open_short", 1)).toBe(C.noMemory);
      }),
    );
  });

  it("has a sentence for each result", () => {
    const texts = [C.ok, C.invalid, C.noMemory, -99].map((result) => {
      let text = "";
      const listen = (what: number, _: number, bytes: Uint8Array) => {
        if (what === TOLD.text) text = new TextDecoder().decode(bytes);
        return 0;
      };
      bridge.program.call(listen, "bridge_text", [result]);
      return text;
    });
    expect(new Set(texts).size).toBe(4);
    for (const text of texts) expect(text).toMatch(/^[A-Z].*\.$/);
  });
});

describeBridges("the radio of a bridge in C", (bridge) => {
  /** A host, and a radio that may refuse addresses. */
  function bench(refused: (address: Uint8Array) => boolean, peersMax = 3, depth = 1) {
    const orders: RadioOrder[] = [];
    const radio = {
      transmit: (order: RadioOrder) => orders.push(order) - orders.length,
      putIn: (address: Uint8Array) => (refused(address) ? -1 : 0),
      setChannel: () => C.channelLater,
    };
    const facts = { peersMax, queue: 4 };
    const made = new Bench(bridge.program, "cobs", facts, 1, radio, depth);
    made.greet();
    made.frames();
    let token = 0;
    const send = (to: Uint8Array) =>
      made.say({ type: "send", token: token++ & 0xff, to, datagram: to, again: false });
    const finish = () => {
      for (const { transmission } of orders.splice(0)) {
        made.board.handleTransmitted(transmission, "sent");
      }
    };
    return { bench: made, board: made.board, orders, send, finish };
  }

  it("may refuse an address: its datagram is not taken, the others go out", () => {
    let isFull = true;
    const radio = bench((address) => isFull && address.at(-1) === 2);
    for (const number of [1, 2, 3]) radio.send(station(number));
    for (let time = 0; time < 3; time++) {
      radio.board.poll(0);
      radio.finish();
    }
    expect(outcomesOf(radio.bench)).toEqual(["2: sent", "1: not-taken", "0: sent"]);
    // Refused: 1; handed to the radio: 2.
    expect(radio.board.countsAt(0).slice(4, 8)).toEqual([2, 0, 0, 1]);
    isFull = false;
    radio.send(station(2));
    radio.board.poll(0);
    expect(radio.orders).toMatchObject([{ to: station(2), putIn: station(2), putOut: undefined }]);
  });

  it("that refuses an address when the table was full has a free place then", () => {
    const radio = bench((address) => address.at(-1) === 9, 2);
    for (const number of [1, 2, 9, 3]) {
      radio.send(station(number));
      radio.board.poll(0);
      radio.finish();
    }
    radio.send(station(2));
    radio.board.poll(0);
    expect(radio.orders).toMatchObject([{ putIn: undefined, putOut: undefined }]);
    // The first made room for the one that was refused; the fourth found it.
    expect(radio.board.countsAt(0)[11]).toBe(1);
  });

  it("that refuses an address does so at once, whoever is with the radio", () => {
    const radio = bench((address) => address.at(-1) === 2, 3, 3);
    for (const number of [1, 2, 3]) radio.send(station(number));
    radio.board.poll(0);
    expect(radio.orders).toMatchObject([{ to: station(1) }, { to: station(3) }]);
    expect(outcomesOf(radio.bench)).toEqual(["1: not-taken"]);
  });

  it.each([0, 4, 5, 8, 255, -1, 2 ** 31 - 1])("that says %i knows nothing", (outcome) => {
    const { bench: made, board, orders, send } = bench(() => false);
    send(station(1));
    board.poll(0);
    board.handleOutcome(orders[0]!.transmission, outcome);
    expect(outcomesOf(made)).toEqual(["0: unknown"]);
    expect(board.countsAt(0).slice(4, 8)).toEqual([1, 0, 0, 0]);
  });

  it("gets tickets from 1 to 65535, and again from 1", () => {
    const { bench: made, board, orders, send } = bench(() => false);
    board.setTicket(65_533);
    for (const ticket of [65_534, 65_535, 1, 2]) {
      send(station(1));
      board.poll(0);
      expect(orders.splice(0)).toMatchObject([{ transmission: ticket }]);
      // None, and one of long ago.
      board.handleOutcome(0, C.sent);
      board.handleOutcome(ticket ^ 0x4000, C.sent);
      expect(board.hasOutput).toBe(false);
      board.handleOutcome(ticket, C.acknowledged);
      expect(outcomesOf(made)[0]).toMatch(/: acknowledged$/);
    }
  });
});

describeBridges("the time of a bridge in C", (bridge) => {
  const begun = () => new Bench(bridge.program, "cobs").board;

  it("wraps around, and its seconds do not", () => {
    const board = begun();
    // Five hours: the clock comes round four times.
    let nowUs = 0;
    while (nowUs < 5 * 3600 * S) {
      const waitUs = board.poll(nowUs);
      expect(waitUs).toBe(C.pollUsMax);
      nowUs += waitUs;
      expect(board.countsAt(nowUs)[0]).toBe(Math.floor(nowUs / S));
    }
  });

  it("is told as it is when STATISTICS leaves", () => {
    const bench = new Bench(bridge.program, "cobs");
    bench.greet();
    bench.frames();
    bench.say({ type: "statistics-request", request: 1 });
    expect(bench.frames(3.5 * S)).toMatchObject([
      { type: "statistics", counts: [3, 2, ...new Array(11).fill(0)] },
    ]);
  });

  it("ends a session 10 s after the last good frame, wherever the clock stands", () => {
    const hello = { type: "hello-request", versionMin: 1, versionMax: 1, host: 5 } as const;
    const bytes = frameBytes(encodeHostFrame(hello), { framing: "cobs", leadingDelimiter: true });
    for (let startUs = 0; startUs < 5000 * S; startUs += 600 * S) {
      const board = begun();
      for (let nowUs = 0; nowUs < startUs; nowUs += 600 * S) board.poll(nowUs);
      board.handleBytes(bytes, startUs);
      expect(board.poll(startUs)).toBe(10 * S);
      expect(board.poll(startUs + 10 * S - 1)).toBe(1);
      expect(board.isInSession).toBe(true);
      expect(board.poll(startUs + 10 * S)).toBe(C.pollUsMax);
      expect(board.isInSession).toBe(false);
    }
  });

  it("answers a frame without a session when the clock has come round since the last time", () => {
    const { board } = new Bench(bridge.program, "cobs");
    const question = encodeHostFrame({ type: "status-request", request: 1 });
    const bytes = frameBytes(question, { framing: "cobs", leadingDelimiter: true });
    const ask = (nowUs: number) => {
      board.handleBytes(bytes, nowUs);
      return board.pollBytes(nowUs, true) !== undefined;
    };
    board.pollBytes(0, true);
    expect([ask(0), ask(99_999), ask(100_000), ask(150_000)]).toEqual([true, false, true, false]);
    for (let nowUs = 0; nowUs < 2 ** 32; nowUs += 600 * S) board.poll(nowUs);
    expect(ask(2 ** 32 + 100_001)).toBe(true);
  });
});

describeBridges("the line of a bridge in C", (bridge) => {
  const framings = ["cobs", "slip"] as const;
  const from = station(7);

  it.each(framings)("carries frames of every length by %s, with and without zeros", (framing) => {
    const bench = new Bench(bridge.program, framing, { mtuBytes: 600 });
    bench.greet();
    bench.frames();
    for (let length = 0; length <= 600; length++) {
      const datagram = new Uint8Array(length).fill(framing === "slip" ? 0xdb : 0x55);
      if (length % 3 === 0) datagram[length >> 1] = 0;
      bench.board.setSequence(1);
      bench.board.handleReceived(from, -60, datagram);
      const frame = { type: "received", sequence: 1, rssiDbm: -60, from, datagram } as const;
      const again = length % 4 !== 0;
      const seed = again ? from : undefined;
      const body = encodeBridgeFrame({ ...frame, again });
      const expected = frameBytes(body, { framing, leadingDelimiter: false, seed });
      expect(bench.board.pollBytes(0, false)).toEqual(expected);
    }
  });

  it.each(framings)(
    "brings no frame by %s that is too long, though it begins like one",
    (framing) => {
      const { board } = new Bench(bridge.program, framing, { mtuBytes: 20 });
      // As long as the longest SEND, and whole, but for what follows.
      const body = Uint8Array.of(0x55, ...new Uint8Array(27).fill(1));
      const whole = frameBytes(body, { framing, leadingDelimiter: true });
      board.handleBytes(whole, 0);
      expect(board.countsAt(0).slice(1, 4)).toEqual([1, 0, 1]);
      const plain = new Uint8Array(body.length + 3);
      plain.set(body);
      const crc = ~updateCrc16(CRC16_START, body, 0, body.length);
      plain.set([crc & 0xff, (crc >> 8) & 0xff, 9], body.length);
      const stuffed = framing === "cobs" ? [plain.length + 1, ...plain, 0] : [...plain, 0xc0];
      board.handleBytes(Uint8Array.from(stuffed), 0);
      expect(board.countsAt(0).slice(1, 4)).toEqual([1, 1, 1]);
    },
  );

  /** What a host understands of what the port took: the sender's mark, or "again" for a short frame. */
  function understood(frames: readonly Uint8Array[]): string[] {
    const heard: string[] = [];
    let implied: Uint8Array | undefined;
    const seedOf = (type: number) => (type === TYPE.receivedAgain ? implied : undefined);
    const reader = new FrameReader("cobs", 300, seedOf);
    const onFrame = (body: Uint8Array) => {
      if (body[0] === TYPE.received) implied = body.slice(3, 9);
      heard.push(body[0] === TYPE.received ? `from ${body[8]}` : "again");
    };
    for (const frame of frames) reader.push(frame, { onFrame });
    return heard;
  }

  /** A bridge in session that has said what it had to say. */
  function quiet() {
    const bench = new Bench(bridge.program, "cobs");
    bench.greet();
    bench.frames();
    const hear = () => bench.board.handleReceived(from, -60, station(9));
    return { board: bench.board, hear };
  }

  it("loses one datagram, and no more, with a frame that is damaged after a pause", () => {
    const { board, hear } = quiet();
    const frames = [1, 2, 3, 4, 5].map(() => {
      hear();
      return board.pollSome(300, 0);
    });
    frames[0]![5]! ^= 0x10;
    expect(understood(frames)).toEqual(["from 7", "from 7", "from 7", "from 7"]);
  });

  it("leaves the sender out only while a port that takes some bytes at a time stays busy", () => {
    const { board, hear } = quiet();
    const frames: Uint8Array[] = [];
    // The second one is heard when the first has begun to leave; the third after both.
    hear();
    frames.push(board.pollSome(5, 0));
    hear();
    frames.push(board.pollSome(300, 0));
    hear();
    frames.push(board.pollSome(300, 0));
    expect(understood(frames)).toEqual(["from 7", "again", "from 7"]);
  });

  it("has a delimiter in front when what was to follow a frame is dropped", () => {
    const bench = new Bench(bridge.program, "cobs");
    const { board } = bench;
    bench.greet();
    bench.frames();
    for (let count = 0; count < 2; count++) board.handleReceived(from, -60, from);
    const first = board.pollBytes(0, true)!;
    // The port took just this frame. The second one is dropped.
    bench.say({ type: "goodbye" });
    board.log(6, "on its own");
    const [delimiter, ...line] = board.pollSome(300, 0);
    expect([first.at(-1), delimiter]).toEqual([0, 0]);
    expect(line.length).toBeGreaterThan(10);
  });
});

describeBridges("lines of text of a bridge in C", (bridge) => {
  function said(textBytes: number, ...texts: string[]): string[] {
    return saidAt(6, textBytes, ...texts).map(({ text }) => text);
  }

  function saidAt(level: number, textBytes: number, ...texts: string[]) {
    const bytes = configBytes({ ...CONFIG, textBytes });
    const number = bridge.program.call(() => 0, "bridge_open", [bytes.length, 1, 0], bytes);
    for (const text of texts) {
      const line = new TextEncoder().encode(text);
      bridge.program.call(() => 0, "bridge_log", [number, line.length, level], line);
    }
    const lines: { level: number; text: string }[] = [];
    const reader = new FrameReader("cobs", 202);
    const onFrame = (body: Uint8Array) => {
      if (body[0] !== TYPE.log) return;
      lines.push({ level: body[1]!, text: new TextDecoder().decode(body.subarray(2)) });
    };
    const listen = (_what: number, _value: number, frame: Uint8Array) => {
      reader.push(frame, { onFrame });
      return 0;
    };
    while (bridge.program.call(listen, "bridge_frame", [number, 0, 0]) > 0);
    return lines;
  }

  it("have the room that they were given, and not a byte more", () => {
    expect(said(0, "a", "")).toEqual([]);
    expect(said(2, "a", "", "b")).toEqual([""]);
    expect(said(8, "abc", "de", "f")).toEqual(["abc", "f"]);
    expect(said(9, "abc", "de", "f")).toEqual(["abc", "de"]);
    expect(said(40, "1", "2", "3", "4", "5")).toEqual(["1", "2", "3", "4"]);
  });

  it("are cut after 200 bytes, and never within a character", () => {
    expect(said(300, "x".repeat(201))).toEqual(["x".repeat(200)]);
    expect(said(300, `x${"ü".repeat(100)}`)).toEqual([`x${"ü".repeat(99)}`]);
    expect(said(300, `${"x".repeat(198)}𝄞`)).toEqual(["x".repeat(198)]);
  });

  it("of a level that there is not are debug", () => {
    for (const level of [7, 8, 255])
      expect(saidAt(level, 9, "a")).toEqual([{ level: 7, text: "a" }]);
    expect(saidAt(0, 9, "a")).toEqual([{ level: 0, text: "a" }]);
  });
});
