import type { SendOutcome } from "@fardel/core";
import { VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import type { BytePort } from "./byte-port.js";
import type { SerialBridgeError } from "./errors.js";
import { BIT_RATES } from "./host/bit-rates.js";
import {
  type Bench,
  FACTS,
  FakeBoard,
  fakeBench,
  OTHER_STATION,
  STATION,
} from "./host/fake-board.js";
import { versionMismatch } from "./host/sentences.js";
import { SerialBridgeLink } from "./serial-bridge-link.js";

const newBench = (): Promise<Bench> => fakeBench(new VirtualClock());

interface Heard {
  readonly from: number[];
  readonly bytes: number[];
  readonly info: object;
}

/** Opens a link and keeps what it tells. */
function owner(link: SerialBridgeLink) {
  const received: Heard[] = [];
  const statuses: string[] = [];
  const outcomes: (SendOutcome | undefined)[] = [];
  link.open({
    onDatagram: (from, datagram, info) =>
      received.push({ from: [...from], bytes: [...datagram], info }),
    onStatus: (status) => statuses.push(status),
  });
  const send = (to = STATION, bytes = 10) => {
    const index = outcomes.push(undefined) - 1;
    link.send(to, new Uint8Array(bytes).fill(index), (outcome) => {
      expect(outcomes[index]).toBeUndefined();
      outcomes[index] = outcome;
    });
  };
  return { received, statuses, outcomes, send };
}

async function refusal(promise: Promise<unknown>): Promise<SerialBridgeError> {
  return promise.then(
    () => {
      throw new Error("It succeeded.");
    },
    (error: SerialBridgeError) => error,
  );
}

const MS = 1000;
const S = 1_000_000;

describe("connecting", () => {
  it("says HELLO? and takes over what the bridge says of itself", async () => {
    const { connect } = await newBench();
    const link = await connect();
    expect(link).toMatchObject({
      mtuBytes: 250,
      outstandingMax: 4,
      bitRate: 115_200,
      bridge: FACTS,
    });
    expect(link.localAddress).toEqual(FACTS.address);
    expect(link.broadcastAddress).toEqual(new Uint8Array(6).fill(255));
    expect(link.airtimeUs?.(250)).toBe(896 + 2000);
  });

  it("leaves out what the bridge cannot or does not know", async () => {
    const { connect, board } = await newBench();
    board.facts = { ...FACTS, canBroadcast: false, airtimeFixedUs: 0, airtimePerByteNs: 0 };
    const link = await connect();
    expect(["broadcastAddress" in link, "airtimeUs" in link]).toEqual([false, false]);
  });

  it("frames with SLIP on demand", async () => {
    const bench = await newBench();
    const slip = new FakeBoard(bench.line, "slip");
    await expect(slip.open()).rejects.toThrow();
    const { clock, line } = bench;
    line.pull("both");
    await bench.pass(1);
    line.plug();
    await slip.open();
    const link = await bench.connect({ framing: "slip" });
    expect(link.bridge.name).toBe("orchard bridge");
    expect(clock.nowUs()).toBeLessThan(100 * MS);
  });

  it("tries the default bit rates until a bridge answers", async () => {
    const bench = await newBench();
    bench.line.pull("both");
    await bench.pass(1);
    bench.line.plug();
    await bench.board.open(230_400);
    const { clock, line } = bench;
    const link = await bench.settled(SerialBridgeLink.connect(line.host, { clock }));
    expect(BIT_RATES.indexOf(230_400)).toBe(3);
    expect(link.bitRate).toBe(230_400);
    expect(clock.nowUs()).toBeGreaterThan(9 * S);
    expect(clock.nowUs()).toBeLessThan(10 * S);
  });

  it("says where a bridge would have answered, when the bit rate is wrong", async () => {
    const bench = await newBench();
    const error = await refusal(bench.connect({ bitRate: 57_600 }));
    expect(error).toMatchObject({ code: "no-answer", name: "SerialBridgeError" });
    expect(error.message).toBe(
      "No bridge answered on memory line at 57600 baud; tried also 115200. One answers at 115200 baud: set bitRate to it.",
    );
    expect(bench.clock.nowUs()).toBeLessThan(5 * S);
    // It is not left in a session that nobody wants.
    await bench.pass(S);
    expect(bench.board.types.at(-1)).toBe("goodbye");
  });

  it("says what it has tried, and that nothing was heard", async () => {
    const bench = await newBench();
    bench.board.isMute = true;
    const error = await refusal(bench.connect({ bitRates: [115_200, 9600] }));
    expect(error.message).toBe(
      "No bridge answered on memory line at 115200 and 9600 baud. Nothing was heard. Check that it is the right port, that the board has power, and that it runs a bridge program.",
    );
    expect(bench.clock.nowUs()).toBe(6 * S);
  });

  it("says that what was heard is no frame", async () => {
    const bench = await newBench();
    bench.board.answer = () => bench.board.writeText("row 7: 1.5 C\r\n");
    const error = await refusal(bench.connect({ bitRates: [115_200] }));
    expect(error.message).toContain("168 bytes came, but no frame.");
    expect(error.message).toContain(
      'see the options bitRate and framing. The last text was "row 7: 1.5 C".',
    );
  });

  it("offers text that no delimiter ends, when nobody answered", async () => {
    const bench = await newBench();
    bench.board.answer = () => {};
    bench.board.writeText(`shell ready\r\n${"x".repeat(70)}`);
    const chatter: string[] = [];
    const onChatter = ({ text }: { text: string }) => chatter.push(text);
    const error = await refusal(bench.connect({ bitRates: [115_200], onChatter }));
    expect(chatter).toEqual(["shell ready", "x".repeat(70)]);
    expect(error.message).toContain(`The last text was "${"x".repeat(59)}…".`);
  });

  it("says that frames came but no answer", async () => {
    const bench = await newBench();
    bench.board.answer = () => bench.board.write({ type: "log", level: 6, text: "ready" });
    const error = await refusal(bench.connect({ bitRates: [115_200] }));
    expect(error.message).toContain("12 frames came, but no answer. Does the board hear us?");
  });

  it.each(["port-not-found", "port-busy", "port-forbidden", "port-failed"] as const)(
    "passes on %s at once",
    async (code) => {
      const bench = await newBench();
      bench.line.obstructOpening(code);
      expect(await refusal(bench.connect())).toMatchObject({ code });
      expect(bench.clock.nowUs()).toBe(0);
    },
  );

  it("says that the port went away meanwhile", async () => {
    const bench = await newBench();
    bench.board.isMute = true;
    const connecting = refusal(bench.connect());
    bench.clock.setTimer(S, () => bench.line.pull());
    expect(await connecting).toMatchObject({
      code: "port-failed",
      message:
        "The port memory line was closed before a bridge answered: The cable was pulled. Plug it in and connect again.",
    });
  });

  it("can be aborted: before, while the port opens, and while nobody answers", async () => {
    const bench = await newBench();
    const early = AbortSignal.abort(new Error("too late"));
    expect(await refusal(bench.connect({ signal: early }))).toMatchObject({
      code: "aborted",
      cause: { message: "too late" },
    });
    bench.board.isMute = true;
    const abort = new AbortController();
    const connecting = refusal(bench.connect({ signal: abort.signal }));
    bench.clock.setTimer(S, () => abort.abort());
    expect(await connecting).toMatchObject({ code: "aborted" });
    expect(bench.clock.nowUs()).toBe(S);
    // The port is free again.
    bench.board.isMute = false;
    await bench.connect();
  });

  it("closes a port that opens only after it was aborted", async () => {
    const bench = await newBench();
    const abort = new AbortController();
    let isOpen = false;
    let open = () => {};
    const source = {
      label: "slow port",
      open: () =>
        new Promise<BytePort>((resolve) => {
          open = () => {
            isOpen = true;
            const close = () => {
              isOpen = false;
            };
            resolve({ bitRate: 9600, write: () => {}, close });
          };
        }),
    };
    const connecting = refusal(
      SerialBridgeLink.connect(source, {
        clock: bench.clock,
        signal: abort.signal,
        bitRates: [9600],
      }),
    );
    abort.abort();
    expect(await bench.settled(connecting)).toMatchObject({ code: "aborted" });
    open();
    expect(isOpen).toBe(true);
    await bench.pass(1);
    expect(isOpen).toBe(false);
  });

  it.each([
    { bitRate: 0 },
    { bitRate: 9600.5 },
    { bitRates: [] },
    { bitRate: 9600, bitRates: [9600] },
    { framing: "hdlc" as never },
  ])("refuses %o", async (options) => {
    const bench = await newBench();
    expect(await refusal(bench.connect(options))).toMatchObject({ code: "invalid-option" });
  });

  it("tries a port without bit rates once", async () => {
    const bench = await newBench();
    bench.board.isMute = true;
    const source = {
      label: "tcp port",
      open: async (...args: Parameters<typeof bench.line.host.open>) => {
        const port = await bench.line.host.open(...args);
        return {
          bitRate: undefined,
          write: port.write.bind(port),
          close: () => port.close(),
        };
      },
    };
    const { clock } = bench;
    const error = await refusal(bench.settled(SerialBridgeLink.connect(source, { clock })));
    expect(error.message).toContain("No bridge answered on tcp port. Nothing was heard.");
    expect(clock.nowUs()).toBe(3 * S);
    bench.board.isMute = false;
    const link = await bench.settled(SerialBridgeLink.connect(source, { clock }));
    const { outcomes, send } = owner(link);
    send();
    await bench.pass(S);
    expect(outcomes).toEqual(["acknowledged"]);
  });
});

describe("sending and receiving", () => {
  it("gives each datagram its outcome, later than send", async () => {
    const bench = await newBench();
    const { outcomes, send } = owner(await bench.connect());
    send();
    send(OTHER_STATION);
    expect(outcomes).toEqual([undefined, undefined]);
    await bench.pass(100 * MS);
    expect(outcomes).toEqual(["acknowledged", "acknowledged"]);
    expect(bench.board.heard.filter(({ type }) => type === "send")).toMatchObject([
      { token: 0, to: STATION, datagram: new Uint8Array(10), again: false },
      { token: 1, to: OTHER_STATION, datagram: new Uint8Array(10).fill(1), again: false },
    ]);
  });

  it("refuses more than the bridge holds, and what is too long", async () => {
    const bench = await newBench();
    const { outcomes, send } = owner(await bench.connect());
    for (let count = 0; count < 5; count++) send();
    send(STATION, 251);
    await bench.pass(100 * MS);
    expect(outcomes).toEqual([...new Array(4).fill("acknowledged"), "refused", "refused"]);
  });

  it("goes on when a later session has a smaller queue", async () => {
    const bench = await newBench();
    const link = await bench.connect();
    const { outcomes, send } = owner(link);
    bench.board.facts = { ...FACTS, queue: 1 };
    bench.board.restart();
    await bench.pass(100 * MS);
    for (let count = 0; count < 4; count++) send();
    await bench.pass(100 * MS);
    expect(outcomes).toEqual(new Array(4).fill("acknowledged"));
    expect(link.outstandingMax).toBe(4);
  });

  it("says of an address that nobody can have that nobody acknowledged", async () => {
    const bench = await newBench();
    const { outcomes, send } = owner(await bench.connect());
    send(Uint8Array.of(1, 2, 3));
    await bench.pass(MS);
    expect(outcomes).toEqual(["not-acknowledged"]);
  });

  it("hands over what the bridge heard, with signal strength and radio channel", async () => {
    const bench = await newBench();
    const { received } = owner(await bench.connect());
    const datagram = Uint8Array.of(9, 8);
    const heard = { type: "received", from: STATION, datagram } as const;
    bench.board.write(
      { ...heard, sequence: 0, rssiDbm: -61, again: false },
      { ...heard, sequence: 1, rssiDbm: undefined, again: true },
    );
    await bench.pass(100 * MS);
    expect(received).toEqual([
      { from: [...STATION], bytes: [9, 8], info: { rssiDbm: -61, radioChannel: 6 } },
      { from: [...STATION], bytes: [9, 8], info: { radioChannel: 6 } },
    ]);
  });

  it("takes sends from inside done, also when several outcomes come at once", async () => {
    const bench = await newBench();
    const link = await bench.connect();
    link.open({ onDatagram: () => {} });
    bench.board.outcome = undefined;
    const log: string[] = [];
    let isInside = false;
    const send = (name: string, next?: string) => {
      isInside = true;
      link.send(STATION, new Uint8Array(5), () => {
        expect(isInside).toBe(false);
        log.push(name);
        if (next !== undefined) send(next);
      });
      isInside = false;
    };
    send("a", "d");
    send("b");
    send("c");
    await bench.pass(50 * MS);
    bench.board.outcome = "sent";
    bench.board.status([
      [2, "sent"],
      [1, "sent"],
      [0, "sent"],
    ]);
    await bench.pass(100 * MS);
    expect(log).toEqual(["a", "b", "c", "d"]);
  });

  it("gives the link to nobody before open, and to one owner only", async () => {
    const bench = await newBench();
    const link = await bench.connect();
    const outcomes: string[] = [];
    link.send(STATION, new Uint8Array(1), (outcome) => outcomes.push(outcome));
    await bench.pass(MS);
    expect(outcomes).toEqual(["gone"]);
    link.open({ onDatagram: () => {} });
    expect(() => link.open({ onDatagram: () => {} })).toThrow("Open each link once");
    await link.close();
    expect(() => link.open({ onDatagram: () => {} })).toThrow("Connect anew");
  });

  it("goes on when its owner's callbacks throw", async () => {
    const bench = await newBench();
    const link = await bench.connect();
    const uncaught: unknown[] = [];
    const caught = (error: unknown) => uncaught.push(error);
    const before = process.listeners("uncaughtException");
    process.removeAllListeners("uncaughtException");
    process.on("uncaughtException", caught);
    try {
      link.open({
        onDatagram: () => {
          throw new Error("mine");
        },
      });
      link.send(STATION, new Uint8Array(1), () => {
        throw new Error("also mine");
      });
      const heard = { type: "received", from: STATION, datagram: STATION, rssiDbm: -1 } as const;
      bench.board.write({ ...heard, sequence: 0, again: false });
      await bench.pass(100 * MS);
      const outcomes: string[] = [];
      link.send(STATION, new Uint8Array(1), (outcome) => outcomes.push(outcome));
      await bench.pass(100 * MS);
      expect(outcomes).toEqual(["acknowledged"]);
      expect(uncaught).toHaveLength(2);
    } finally {
      process.off("uncaughtException", caught);
      for (const listener of before) process.on("uncaughtException", listener);
    }
  });
});

describe("what goes wrong on a line (BRIDGE.md, section 11)", () => {
  /** A link in session, its owner, and the board. */
  async function inSession(): Promise<
    Bench & ReturnType<typeof owner> & { link: SerialBridgeLink }
  > {
    const bench = await newBench();
    const link = await bench.connect();
    return { ...bench, link, ...owner(link) };
  }

  it("text before and between frames: offered as text, the frames behind it are heard", async () => {
    const bench = await newBench();
    const chatter: string[] = [];
    bench.board.writeText("boot: rev 3\r\nradio up\r\n");
    const link = await bench.connect({ onChatter: ({ text }) => chatter.push(text) });
    const { received } = owner(link);
    bench.board.writeText("still here\n");
    const heard = { type: "received", from: STATION, datagram: STATION, rssiDbm: -1 } as const;
    bench.board.write({ ...heard, sequence: 0, again: false });
    await bench.pass(100 * MS);
    expect(received).toHaveLength(1);
    expect(chatter).toEqual(["boot: rev 3", "radio up", "still here"]);
  });

  it("a SEND lost: the next token shows it", async () => {
    const { board, outcomes, send, pass, line, link } = await inSession();
    line.setFaults({ drop: 1 }, "toBoard");
    send();
    await pass(50 * MS);
    line.setFaults({});
    const { answer } = board;
    board.answer = (frame) => {
      if (frame.type !== "send") return answer.call(board, frame);
      board.nextToken = frame.token + 1;
      board.status([
        [1, "sent"],
        [0, "lost-on-line"],
      ]);
    };
    send(OTHER_STATION);
    await pass(50 * MS);
    expect(outcomes).toEqual(["refused", "sent"]);
    expect(link.counts.lostOnLine).toBe(1);
  });

  it("a SEND lost, and nothing behind it: STATUS? shows it", async () => {
    const { outcomes, send, pass, line, board } = await inSession();
    line.setFaults({ drop: 1 }, "toBoard");
    send();
    await pass(50 * MS);
    line.setFaults({});
    await pass(300 * MS);
    expect(outcomes).toEqual(["refused"]);
    send();
    await pass(50 * MS);
    expect(outcomes).toEqual(["refused", "acknowledged"]);
    expect(board.heard.at(-1)).toMatchObject({ type: "send", token: 0, again: false });
  });

  it("a STATUS lost: STATUS? brings the outcome", async () => {
    const { board, outcomes, send, pass } = await inSession();
    board.outcome = undefined;
    const { answer } = board;
    board.answer = (frame) =>
      frame.type === "status-request"
        ? board.status([[0, "not-acknowledged"]], frame.request)
        : answer.call(board, frame);
    send();
    await pass(300 * MS);
    expect(outcomes).toEqual(["not-acknowledged"]);
  });

  it("a RECEIVED lost: the sequence shows it", async () => {
    const { board, link, received, pass } = await inSession();
    const heard = { type: "received", from: STATION, datagram: STATION, rssiDbm: -1 } as const;
    board.write({ ...heard, sequence: 0, again: false }, { ...heard, sequence: 3, again: false });
    await pass(100 * MS);
    expect(received).toHaveLength(2);
    expect(link.counts).toMatchObject({ received: 2, receivedMissing: 2 });
  });

  it("the board restarts: outstanding is gone, down and up again within a moment", async () => {
    const { board, outcomes, send, statuses, pass, link } = await inSession();
    const told: string[] = [];
    link.on("status", ({ status, why }) => told.push(`${status}: ${why}`));
    board.outcome = undefined;
    send();
    await pass(10 * MS);
    board.outcome = "sent";
    board.restart("rebooting\r\n");
    await pass(100 * MS);
    send();
    await pass(100 * MS);
    expect(outcomes).toEqual(["gone", "sent"]);
    expect(statuses).toEqual(["down", "up"]);
    expect(told).toEqual([
      "down: The board has restarted.",
      "up: The bridge on memory line is there again.",
    ]);
    expect(link.counts.restarts).toBe(1);
  });

  it("the cable is pulled: down at once, opened again when it is back, waiting longer each time", async () => {
    const { line, outcomes, send, statuses, pass, link, clock } = await inSession();
    const attempts: number[] = [];
    const { open } = line.host;
    Object.assign(line.host, {
      open: (...args: Parameters<typeof open>) => {
        attempts.push(clock.nowUs());
        return open(...args);
      },
    });
    send();
    line.pull();
    const pulledUs = clock.nowUs();
    await pass(1);
    expect([outcomes, statuses, link.status]).toEqual([["gone"], ["down"], "down"]);
    send();
    await pass(40 * S);
    expect(outcomes).toEqual(["gone", "gone"]);
    const waited = attempts.map((atUs, index) => (atUs - (attempts[index - 1] ?? pulledUs)) / S);
    expect(waited.map((each) => Math.round(each * 100) / 100).slice(0, 8)).toEqual([
      ...[0.25, 0.5, 1, 2, 4],
      ...[5, 5, 5],
    ]);
    line.plug();
    await pass(5 * S + 50 * MS);
    send();
    await pass(50 * MS);
    expect(statuses).toEqual(["down", "up"]);
    expect(outcomes.at(-1)).toBe("acknowledged");
    expect(link.counts.reopenings).toBe(1);
  });

  it("the board hangs: asked, given up after 3 s, and opened anew", async () => {
    const { board, statuses, pass, send, outcomes, link } = await inSession();
    const told: string[] = [];
    link.on("status", ({ why }) => told.push(why));
    board.isMute = true;
    send();
    await pass(3_100 * MS);
    expect(statuses).toEqual([]);
    await pass(200 * MS);
    expect([statuses, outcomes, told]).toEqual([
      ["down"],
      ["gone"],
      ["The bridge on memory line has fallen silent."],
    ]);
    await pass(10 * S);
    board.isMute = false;
    await pass(10 * S);
    expect(statuses).toEqual(["down", "up"]);
  });

  it("a quiet bridge stays in session: it is asked for a sign of life every 2 s", async () => {
    const { board, statuses, pass } = await inSession();
    await pass(21 * S);
    expect(statuses).toEqual([]);
    expect(board.types.filter((type) => type === "status-request")).toHaveLength(10);
  });

  it("a newer bridge: works where versions overlap, else says which", async () => {
    const overlapping = await newBench();
    overlapping.board.versions = [1, 4];
    await overlapping.connect();
    const newer = await newBench();
    newer.board.versions = [2, 4];
    const error = await refusal(newer.connect());
    expect(error).toMatchObject({ code: "version-mismatch" });
    expect(error.message).toBe(
      "The bridge on memory line speaks versions 2 to 4 of the bridge protocol, this library version 1. Update this library.",
    );
  });

  it("a newer bridge whose HELLO goes on as nobody knows: says which, too", async () => {
    const bench = await newBench();
    bench.board.answer = (frame) => {
      if (frame.type !== "hello-request") return;
      const host = [24, 16, 8, 0].map((shift) => (frame.host >>> shift) & 0xff);
      const body = Uint8Array.of(0x81, 5, 6, ...host, 0, 0, 0, 9, 1, 2, 3);
      bench.board.write({ type: "raw", body });
    };
    expect((await refusal(bench.connect())).message).toContain("speaks versions 5 to 6");
  });

  it("an older bridge: says that the board wants a newer program", () => {
    // There is none yet: this library speaks the first version.
    const error = versionMismatch("memory line", { versionMin: 0, versionMax: 0 });
    expect(error.message).toBe(
      "The bridge on memory line speaks version 0 of the bridge protocol, this library version 1. Put a newer bridge program on the board.",
    );
  });

  it("a host faster than the line: no more than the queue is under way", async () => {
    const { board, pass, link } = await inSession();
    board.outcome = undefined;
    let done = 0;
    const fill = () => {
      for (let count = 0; count < 4; count++) link.send(STATION, new Uint8Array(250), () => done++);
    };
    fill();
    fill();
    await pass(150 * MS);
    expect(board.types.filter((type) => type === "send")).toHaveLength(4);
    expect(done).toBe(4);
  });

  it("out of step: a new session, and on", async () => {
    const { board, send, outcomes, pass, link } = await inSession();
    board.outcome = undefined;
    send();
    await pass(10 * MS);
    board.nextToken = 77;
    board.status([]);
    board.outcome = "sent";
    await pass(100 * MS);
    send();
    await pass(100 * MS);
    expect(outcomes).toEqual(["gone", "sent"]);
    expect(link.counts.restarts).toBe(1);
  });

  it.each([
    ["smaller datagrams", { ...FACTS, mtuBytes: 200 }, "now carries 200 bytes at most, before 250"],
    [
      "other addresses",
      { ...FACTS, address: Uint8Array.of(1, 2) },
      "addresses of 2 bytes, before 6",
    ],
  ])("another bridge with %s: the link closes itself and says why", async (_, facts, sentence) => {
    const { board, pass, statuses, link, send, outcomes, line } = await inSession();
    const failures: SerialBridgeError[] = [];
    link.on("failed", ({ error }) => failures.push(error));
    board.facts = facts;
    board.restart();
    await pass(100 * MS);
    expect(failures).toMatchObject([{ code: "bridge-changed" }]);
    expect(failures[0]?.message).toContain(sentence);
    expect([link.status, statuses]).toEqual(["closed", ["down"]]);
    send();
    await pass(10 * S);
    expect(outcomes).toEqual(["gone"]);
    // The port is free.
    await line.host.open(9600, { onBytes: () => {}, onClosed: () => {} });
  });

  it("a board with another version after a restart: the link closes itself", async () => {
    const { board, pass, link } = await inSession();
    const failures: string[] = [];
    link.on("failed", ({ error }) => failures.push(error.code));
    board.versions = [2, 2];
    board.restart();
    await pass(100 * MS);
    expect([failures, link.status]).toEqual([["version-mismatch"], "closed"]);
  });

  it("a board with a larger datagram after a restart: goes on with the size it had", async () => {
    const { board, pass, link, statuses } = await inSession();
    board.facts = { ...FACTS, mtuBytes: 500 };
    board.restart();
    await pass(100 * MS);
    expect([link.mtuBytes, statuses]).toEqual([250, ["down", "up"]]);
  });

  it("a port that takes no more bytes: down after a while", async () => {
    const bench = await newBench();
    let isStuck = false;
    const source = {
      label: "stuck port",
      open: async (...args: Parameters<typeof bench.line.host.open>) => {
        const port = await bench.line.host.open(...args);
        return {
          bitRate: port.bitRate,
          write: (bytes: Uint8Array, done: () => void) => {
            if (!isStuck) port.write(bytes, done);
          },
          close: () => port.close(),
        };
      },
    };
    const link = await bench.settled(SerialBridgeLink.connect(source, { clock: bench.clock }));
    const { outcomes, send, statuses } = owner(link);
    isStuck = true;
    send();
    for (let turn = 0; turn < 5; turn++) {
      bench.board.write({ type: "log", level: 7, text: "alive" });
      await bench.pass(S);
    }
    expect([outcomes, statuses]).toEqual([["gone"], ["down"]]);
    await link.close();
  });
});

describe("the radio channel", () => {
  it("is set, told, and set again when the board has restarted, before the link is up", async () => {
    const bench = await newBench();
    const link = await bench.connect();
    const { statuses } = owner(link);
    const channels: number[] = [];
    link.on("channel", ({ channel }) => channels.push(channel));
    await bench.settled(link.setRadioChannel(11));
    expect([link.bridge.channel, channels]).toEqual([11, [11]]);
    bench.board.facts = FACTS;
    bench.board.restart();
    await bench.pass(100 * MS);
    expect(bench.board.facts.channel).toBe(11);
    expect([link.bridge.channel, statuses]).toEqual([11, ["down", "up"]]);
  });

  it.each([
    ["not-allowed", "channel-refused", "does not allow radio channel 11"],
    ["busy", "channel-refused", "Try again"],
    ["cannot", "channel-refused", "could not set radio channel 11"],
  ] as const)("that the bridge answers with %s is %s", async (result, code, sentence) => {
    const bench = await newBench();
    const link = await bench.connect();
    bench.board.answer = (frame) => {
      if (frame.type !== "channel-request") return;
      bench.board.write({ type: "channel", request: frame.request, result, channel: 6 });
    };
    const error = await refusal(bench.settled(link.setRadioChannel(11)));
    expect(error.code).toBe(code);
    expect(error.message).toContain(sentence);
  });

  it("is not asked for where it cannot be set, or is none", async () => {
    const bench = await newBench();
    bench.board.facts = { ...FACTS, canSetChannel: false };
    const link = await bench.connect();
    expect(await refusal(link.setRadioChannel(3))).toMatchObject({ code: "channel-refused" });
    expect(await refusal(link.setRadioChannel(0))).toMatchObject({ code: "invalid-option" });
    expect(await refusal(link.setRadioChannel(1.5))).toMatchObject({ code: "invalid-option" });
  });

  it("is asked for one after the other", async () => {
    const bench = await newBench();
    const link = await bench.connect();
    await bench.settled(Promise.all([3, 4, 5].map((channel) => link.setRadioChannel(channel))));
    expect(link.bridge.channel).toBe(5);
    expect(bench.board.types.filter((type) => type === "channel-request")).toHaveLength(3);
  });

  it("never hangs: no answer, a restart, a link that is down or closed", async () => {
    const bench = await newBench();
    const link = await bench.connect();
    owner(link);
    const { answer } = bench.board;
    bench.board.answer = (frame) => {
      if (frame.type !== "channel-request") answer.call(bench.board, frame);
      else bench.board.write({ type: "log", level: 7, text: "what?" });
    };
    const unanswered = await refusal(bench.settled(link.setRadioChannel(3)));
    expect(unanswered.code).toBe("no-answer");
    const restarted = refusal(bench.settled(link.setRadioChannel(3)));
    await Promise.resolve();
    bench.clock.setTimer(bench.clock.nowUs() + 10 * MS, () => bench.board.restart());
    expect((await restarted).code).toBe("link-down");
    await bench.pass(S);
    bench.line.pull();
    await bench.pass(1);
    expect(await refusal(bench.settled(link.setRadioChannel(3)))).toMatchObject({
      code: "link-down",
    });
    await link.close();
    expect(await refusal(link.setRadioChannel(3))).toMatchObject({ code: "link-closed" });
  });
});

describe("the counts of the bridge", () => {
  it("come by name, as far as the bridge keeps them; one question for all who ask", async () => {
    const bench = await newBench();
    const link = await bench.connect();
    const both = Promise.all([link.statistics(), link.statistics()]);
    expect(await bench.settled(both)).toEqual([
      { uptimeS: 12, framesReceived: 34, framesDamaged: 5 },
      { uptimeS: 12, framesReceived: 34, framesDamaged: 5 },
    ]);
    expect(bench.board.types.filter((type) => type === "statistics-request")).toHaveLength(1);
  });

  it("never hang: no answer, a link that is down or closed", async () => {
    const bench = await newBench();
    const link = await bench.connect();
    bench.board.answer = () => bench.board.write({ type: "log", level: 7, text: "what?" });
    expect(await refusal(bench.settled(link.statistics()))).toMatchObject({ code: "no-answer" });
    const interrupted = refusal(bench.settled(link.statistics()));
    bench.line.pull();
    expect(await interrupted).toMatchObject({ code: "link-down" });
    expect(await refusal(link.statistics())).toMatchObject({ code: "link-down" });
    await link.close();
    expect(await refusal(link.statistics())).toMatchObject({ code: "link-closed" });
  });
});

describe("closing", () => {
  it("tells the bridge, ends what is outstanding, frees the port, twice if need be", async () => {
    const bench = await newBench();
    const link = await bench.connect();
    const { outcomes, send, statuses } = owner(link);
    bench.board.outcome = undefined;
    send();
    await bench.pass(50 * MS);
    const closing = [link.close(), link.close()];
    expect(outcomes).toEqual(["gone"]);
    await Promise.all(closing);
    await bench.pass(S);
    expect(bench.board.types.at(-1)).toBe("goodbye");
    expect([statuses, link.status, bench.clock.timerCount]).toEqual([[], "closed", 0]);
    await bench.connect();
  });

  it("while the port is being opened again, opens nothing more", async () => {
    const bench = await newBench();
    const link = await bench.connect();
    owner(link);
    bench.line.pull();
    await bench.pass(S);
    await link.close();
    bench.line.plug();
    await bench.pass(20 * S);
    expect(bench.clock.timerCount).toBe(0);
    await bench.connect();
  });

  it("from inside a handler or a done tells nothing any more", async () => {
    const bench = await newBench();
    const link = await bench.connect();
    const calls: string[] = [];
    link.open({
      onDatagram: () => {
        calls.push("datagram");
        void link.close();
      },
      onStatus: (status) => calls.push(status),
    });
    bench.board.outcome = undefined;
    link.send(STATION, new Uint8Array(3), (outcome) => calls.push(outcome));
    await bench.pass(50 * MS);
    const heard = { type: "received", from: STATION, datagram: STATION, rssiDbm: -1 } as const;
    bench.board.write(
      { ...heard, sequence: 0, again: false },
      { ...heard, sequence: 1, again: true },
    );
    await bench.pass(S);
    expect(calls).toEqual(["datagram", "gone"]);
  });

  it("is what `await using` does", async () => {
    const bench = await newBench();
    const link = await bench.connect();
    await link[Symbol.asyncDispose]();
    expect(link.status).toBe("closed");
  });
});
