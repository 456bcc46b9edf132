import type { SendOutcome } from "@fardel/core";
import { Random } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { BridgeFacts, BridgeFrame, HostFrame, TokenOutcome } from "../bridge-frames.js";
import {
  AGAIN_MAX,
  ANSWER_US,
  CHANNEL_REPEAT_US,
  HELLO_REPEAT_US,
  IDLE_QUESTION_US,
  SILENCE_US,
  STATUS_AFTER_US,
} from "../limits.js";
import type { HostEvent } from "./host-events.js";
import { HostSession } from "./host-session.js";
import { QUESTION_TIMES_MAX } from "./question.js";

const FACTS: BridgeFacts = {
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
  name: "model",
};
const STATION = Uint8Array.of(2, 0, 0, 0, 0, 0x11);
const OTHER = Uint8Array.of(2, 0, 0, 0, 0, 0x12);

/** A session, and what came out of it. */
class Bench {
  nowUs = 1_000_000;
  readonly events: HostEvent[] = [];
  readonly outcomes: (SendOutcome | undefined)[] = [];
  readonly counts = { received: 0, receivedMissing: 0, lostOnLine: 0, restarts: 0 };
  readonly session: HostSession;
  #draws = 0;

  constructor() {
    const options = { random: () => ++this.#draws * 7, timeOnLine: () => 0, counts: this.counts };
    this.session = new HostSession(options, this.nowUs);
  }

  /**
   * Frames that are to leave now, one right behind the other.
   * @param hasPause - whether nothing left right before the first
   */
  frames(hasPause = true): HostFrame[] {
    const frames: HostFrame[] = [];
    for (let frame = this.session.pollFrame(this.nowUs, hasPause); frame; ) {
      frames.push(frame);
      frame = this.session.pollFrame(this.nowUs, false);
    }
    return frames;
  }

  take(frame: BridgeFrame): void {
    this.session.handleFrame(frame, this.nowUs);
    this.#drain();
  }

  pass(durationUs: number): void {
    const untilUs = this.nowUs + durationUs;
    while (this.session.timeoutUs <= untilUs) {
      this.nowUs = Math.max(this.nowUs, this.session.timeoutUs);
      this.session.handleTimeout(this.nowUs);
      this.#drain();
      this.written.push(...this.frames());
    }
    this.nowUs = untilUs;
  }

  /** What left while time passed. */
  readonly written: HostFrame[] = [];

  send(to = STATION, bytes = 10): number {
    const number = this.outcomes.length;
    this.outcomes.push(undefined);
    const done = (outcome: SendOutcome) => {
      expect(this.outcomes[number]).toBeUndefined();
      this.outcomes[number] = outcome;
    };
    if (!this.session.send({ to, datagram: new Uint8Array(bytes).fill(number), done }))
      done("gone");
    return number;
  }

  hello(host: number, bridge = 1, facts: BridgeFacts | undefined = FACTS, versions = [1, 1]): void {
    const [versionMin, versionMax] = versions as [number, number];
    this.take({ type: "hello", versionMin, versionMax, host, bridge, facts });
  }

  get host(): number {
    const [hello] = this.frames();
    if (hello?.type !== "hello-request") throw new Error(`${hello?.type} in place of HELLO?`);
    return hello.host;
  }

  status(nextToken: number, pairs: [number, TokenOutcome][] = [], request = 0): void {
    const outcomes = pairs.map(([token, outcome]) => ({ token, outcome }));
    this.take({ type: "status", request, nextToken, outcomes });
  }

  types(): string[] {
    return this.events.map(({ type }) => type);
  }

  #drain(): void {
    for (let event = this.session.pollEvent(); event; event = this.session.pollEvent()) {
      this.events.push(event);
      if (event.type === "send-finished") event.handover.done(event.outcome);
    }
  }
}

function opened(facts = FACTS): Bench {
  const bench = new Bench();
  bench.hello(bench.host, 1, facts);
  return bench;
}

describe("hello", () => {
  it("is asked for at once, and again every 250 ms", () => {
    const bench = new Bench();
    const first = bench.frames();
    bench.pass(3 * HELLO_REPEAT_US);
    expect(first).toEqual([{ type: "hello-request", versionMin: 1, versionMax: 1, host: 7 }]);
    expect(bench.written).toEqual([...first, ...first, ...first]);
  });

  it("is waited for 3 s", () => {
    const bench = new Bench();
    bench.pass(ANSWER_US - 1);
    expect(bench.events).toEqual([]);
    bench.pass(1);
    expect(bench.events).toEqual([{ type: "session-stopped", why: "no-answer" }]);
    expect([bench.frames(), bench.session.timeoutUs]).toEqual([[], Number.POSITIVE_INFINITY]);
  });

  it("of another host, or of nobody's asking, begins no session", () => {
    const bench = new Bench();
    const { host } = bench;
    bench.hello(0);
    bench.hello(host + 1);
    expect(bench.session.facts).toBeUndefined();
    bench.hello(host);
    expect(bench.session.facts).toBe(FACTS);
  });

  it("comes before anything else: other frames are ignored, but for text", () => {
    const bench = new Bench();
    bench.status(3);
    bench.take({ type: "log", level: 6, text: "ready" });
    expect(bench.types()).toEqual(["log-received"]);
    expect([bench.send(), bench.outcomes[0]]).toEqual([0, "gone"]);
  });

  it("twice with the same numbers changes nothing", () => {
    const bench = new Bench();
    const { host } = bench;
    bench.hello(host);
    bench.send();
    bench.frames();
    bench.hello(host);
    expect(bench.types()).toEqual(["session-opened"]);
  });

  it("of versions that overlap ours is fine, of others it is the end", () => {
    const overlapping = new Bench();
    overlapping.hello(overlapping.host, 1, FACTS, [1, 3]);
    expect(overlapping.types()).toEqual(["session-opened"]);
    const newer = new Bench();
    newer.hello(newer.host, 1, undefined, [2, 3]);
    expect(newer.events).toEqual([
      {
        type: "session-stopped",
        why: "version-mismatch",
        versions: { versionMin: 2, versionMax: 3 },
      },
    ]);
  });

  it("never bears the number 0, nor that of the session before", () => {
    let draws = 0;
    const words = [0, 1, 1];
    const counts = { received: 0, receivedMissing: 0, lostOnLine: 0, restarts: 0 };
    const random = () => words[draws++]!;
    const session = new HostSession({ random, timeOnLine: () => 0, counts }, 0);
    const hosts: number[] = [];
    for (let turn = 0; turn < 3; turn++) {
      const hello = session.pollFrame(0, true);
      if (hello?.type === "hello-request") hosts.push(hello.host);
      session.handleFrame(
        {
          type: "hello",
          versionMin: 1,
          versionMax: 1,
          host: hosts.at(-1)!,
          bridge: 1,
          facts: FACTS,
        },
        0,
      );
      session.handleFrame(
        { type: "hello", versionMin: 1, versionMax: 1, host: 0, bridge: 2, facts: FACTS },
        0,
      );
    }
    expect(hosts[0]).toBe(1);
    expect(hosts).not.toContain(0);
    expect(hosts[1]).not.toBe(hosts[0]);
    expect(hosts[2]).not.toBe(hosts[1]);
  });
});

describe("a board that restarts", () => {
  it.each([
    ["says HELLO unasked", 0, 2],
    ["answers an old HELLO? in its new life", 7, 2],
    ["has ended the session and forgotten us", 0, 1],
  ])("%s: outstanding is gone, and a new session begins", (_, host, bridge) => {
    const bench = opened();
    bench.send();
    bench.frames();
    bench.send();
    bench.hello(host, bridge);
    expect(bench.outcomes).toEqual(["gone", "gone"]);
    expect(bench.types().slice(1)).toEqual(["send-finished", "send-finished", "session-lost"]);
    expect(bench.counts.restarts).toBe(1);
    const { host: next } = bench;
    expect(next).not.toBe(7);
    bench.hello(next, bridge);
    bench.send();
    expect(bench.frames(false)).toMatchObject([{ type: "send", token: 0, again: false }]);
  });

  it("takes down questions with it", () => {
    const bench = opened();
    bench.session.setChannel(3, bench.nowUs);
    bench.session.askStatistics(bench.nowUs);
    bench.hello(0, 2);
    const answers = bench.events.filter(({ type }) => type.endsWith("answered"));
    expect(answers).toMatchObject([
      { type: "statistics-answered", answer: { result: "session-lost" } },
      { type: "channel-answered", answer: { result: "session-lost" } },
    ]);
  });
});

describe("sending", () => {
  it("counts tokens, and leaves the address out at most three times in a row", () => {
    const bench = opened({ ...FACTS, queue: 64 });
    for (let count = 0; count < 9; count++) bench.send();
    bench.send(OTHER);
    bench.send();
    const again = bench.frames().map((frame) => frame.type === "send" && frame.again);
    expect(AGAIN_MAX).toBe(3);
    expect(again).toEqual([
      ...[false, true, true, true],
      ...[false, true, true, true],
      ...[false, false, false],
    ]);
  });

  it("names the address behind every pause, and counts its short frames from there", () => {
    const bench = opened({ ...FACTS, queue: 64 });
    const again: boolean[] = [];
    for (const hasPause of [true, true, false, true, false, false, false, false, true]) {
      bench.send();
      for (const frame of bench.frames(hasPause)) again.push(frame.type === "send" && frame.again);
    }
    expect(again).toEqual([
      ...[false],
      ...[false, true],
      ...[false, true, true, true],
      ...[false],
      ...[false],
    ]);
  });

  it("leaves the address out right behind a question, too, however that began", () => {
    const bench = opened();
    bench.send();
    bench.frames();
    bench.session.askStatistics(bench.nowUs);
    bench.send();
    expect(bench.frames()).toMatchObject([
      { type: "statistics-request" },
      { type: "send", token: 1, again: true },
    ]);
  });

  it("never has more under way than the bridge holds", () => {
    const bench = opened();
    for (let count = 0; count < 6; count++) bench.send();
    expect(bench.frames()).toHaveLength(4);
    bench.status(1, [[0, "sent"]]);
    expect(bench.frames()).toHaveLength(1);
    expect(bench.outcomes).toEqual(["sent", ...new Array(5)]);
  });

  it("waits for the oldest outcome when `queue` tokens are given out, so that STATUS? can bring it", () => {
    const bench = opened();
    for (let count = 0; count < 8; count++) bench.send();
    bench.frames();
    // The outcome of token 0 was lost.
    bench.status(4, [
      [3, "sent"],
      [2, "sent"],
      [1, "sent"],
    ]);
    expect(bench.frames()).toEqual([]);
    bench.pass(STATUS_AFTER_US);
    bench.status(4, [[0, "sent"]], 1);
    expect(bench.frames()).toHaveLength(4);
  });

  it.each([
    ["sent", "sent"],
    ["acknowledged", "acknowledged"],
    ["not-acknowledged", "not-acknowledged"],
    ["queue-full", "refused"],
    ["lost-on-line", "refused"],
    ["unknown", "gone"],
    ["not-taken", "refused"],
  ] as const)("tells %s as %s", (outcome, told) => {
    const bench = opened();
    bench.send();
    bench.frames();
    bench.status(1, [[0, outcome]]);
    expect(bench.outcomes).toEqual([told]);
  });

  it("tells outcomes in the order of hand-over, and each once", () => {
    const bench = opened();
    for (let count = 0; count < 3; count++) bench.send();
    bench.frames();
    bench.status(3, [
      [2, "sent"],
      [1, "not-acknowledged"],
      [0, "sent"],
    ]);
    bench.status(3, [[2, "sent"]]);
    const told = bench.events.flatMap((event) =>
      event.type === "send-finished" ? [event.handover.datagram[0]] : [],
    );
    expect(told).toEqual([0, 1, 2]);
  });

  it("names the address again after a loss on the line", () => {
    const bench = opened();
    for (let count = 0; count < 2; count++) bench.send();
    bench.frames();
    bench.status(2, [
      [1, "sent"],
      [0, "lost-on-line"],
    ]);
    bench.send();
    expect(bench.frames(false)).toMatchObject([{ type: "send", token: 2, again: false }]);
    expect(bench.counts.lostOnLine).toBe(1);
  });

  it("is not fooled by an owner that uses its address array again", () => {
    const bench = opened();
    const to = STATION.slice();
    bench.send(to);
    bench.frames();
    to.set(OTHER);
    bench.send(OTHER);
    expect(bench.frames(false)).toMatchObject([{ again: false }]);
  });
});

describe("outcomes that stay away", () => {
  it("are asked for after 200 ms, again under the same number; meanwhile nothing is handed over", () => {
    const bench = opened();
    bench.send();
    bench.frames();
    bench.pass(STATUS_AFTER_US);
    bench.send();
    bench.pass(2 * STATUS_AFTER_US);
    const question = { type: "status-request", request: 1 };
    expect(bench.written).toEqual([question, question, question]);
    bench.status(1, [[0, "sent"]], 1);
    expect(bench.frames()).toMatchObject([{ type: "send", token: 1 }]);
  });

  it("are settled by the answer: lost, through, or still with the bridge", () => {
    const bench = opened();
    for (let count = 0; count < 4; count++) bench.send();
    bench.frames();
    bench.pass(STATUS_AFTER_US);
    bench.status(2, [[0, "acknowledged"]], 1);
    expect(bench.outcomes).toEqual(["acknowledged", undefined, "refused", "refused"]);
    expect(bench.counts.lostOnLine).toBe(2);
    bench.send();
    expect(bench.frames(false)).toMatchObject([{ type: "send", token: 2, again: false }]);
  });

  it("are not settled by an answer that comes twice, or late", () => {
    const bench = opened();
    bench.send();
    bench.frames();
    bench.pass(2 * STATUS_AFTER_US);
    bench.status(1, [], 1);
    bench.send();
    bench.frames();
    // The answer to the repetition: it left before the second datagram arrived.
    bench.status(1, [], 1);
    expect(bench.outcomes).toEqual([undefined, undefined]);
  });

  it("stay with the bridge for as long as it says so", () => {
    const bench = opened();
    bench.send();
    bench.frames();
    for (let turn = 0; turn < 20; turn++) {
      bench.pass(STATUS_AFTER_US);
      bench.status(1, [], (turn % 255) + 1);
    }
    expect(bench.outcomes).toEqual([undefined]);
    expect(bench.types()).toEqual(["session-opened"]);
  });

  it("lead to a new session when host and bridge are out of step", () => {
    const bench = opened();
    bench.send();
    bench.frames();
    bench.status(200);
    expect(bench.outcomes).toEqual(["gone"]);
    expect(bench.events.at(-1)).toEqual({ type: "session-lost", why: "out-of-step" });
  });
});

describe("silence", () => {
  it("of 2 s is asked about; of 3 s more it is the end", () => {
    const bench = opened();
    bench.pass(IDLE_QUESTION_US - 1);
    expect(bench.written).toEqual([]);
    bench.pass(1);
    expect(bench.written).toEqual([{ type: "status-request", request: 1 }]);
    bench.pass(SILENCE_US - 1);
    expect(bench.types()).toEqual(["session-opened"]);
    bench.pass(1);
    expect(bench.events.at(-1)).toEqual({ type: "session-stopped", why: "silent" });
  });

  it("is broken by anything undamaged", () => {
    const bench = opened();
    for (let turn = 0; turn < 20; turn++) {
      bench.pass(IDLE_QUESTION_US + SILENCE_US - 1);
      bench.session.handleSignOfLife(bench.nowUs);
    }
    expect(bench.types()).toEqual(["session-opened"]);
  });

  it("ends what is outstanding as gone", () => {
    const bench = opened();
    bench.send();
    bench.frames();
    bench.pass(STATUS_AFTER_US + SILENCE_US);
    expect(bench.outcomes).toEqual(["gone"]);
  });

  it("while the computer slept is asked about before anything is given up", () => {
    const bench = opened();
    bench.nowUs += 3_600_000_000;
    bench.session.handleTimeout(bench.nowUs);
    expect(bench.frames()).toMatchObject([{ type: "status-request" }]);
    bench.pass(SILENCE_US - 1);
    expect(bench.types()).toEqual(["session-opened"]);
  });

  it("question with nothing outstanding holds nothing back, and settles nothing", () => {
    const bench = opened();
    bench.pass(IDLE_QUESTION_US);
    bench.send();
    expect(bench.frames()).toMatchObject([{ type: "send", token: 0 }]);
    bench.status(0, [], 1);
    expect(bench.outcomes).toEqual([undefined]);
  });
});

describe("receiving", () => {
  const received = (sequence: number): BridgeFrame => ({
    type: "received",
    sequence,
    rssiDbm: -60,
    from: OTHER,
    datagram: Uint8Array.of(1, 2),
    again: false,
  });

  it("counts what is missing, also across 255", () => {
    const bench = opened();
    for (const sequence of [0, 1, 4, 250, 255, 0, 2]) bench.take(received(sequence));
    expect(bench.counts).toMatchObject({ received: 7, receivedMissing: 2 + 245 + 4 + 1 });
  });

  it("counts from 0 in each session", () => {
    const bench = opened();
    bench.take(received(0));
    bench.hello(0, 2);
    bench.hello(bench.host, 2);
    bench.take(received(1));
    expect(bench.counts.receivedMissing).toBe(1);
  });
});

describe("the radio channel", () => {
  it("is set when nothing is outstanding, and nothing is handed over until the answer", () => {
    const bench = opened();
    bench.send();
    bench.frames();
    bench.session.setChannel(3, bench.nowUs);
    bench.send();
    expect(bench.frames()).toEqual([]);
    bench.status(1, [[0, "sent"]]);
    expect(bench.frames()).toEqual([{ type: "channel-request", request: 1, channel: 3 }]);
    expect(bench.frames()).toEqual([]);
    bench.take({ type: "channel", request: 1, result: "set", channel: 3 });
    expect(bench.frames()).toMatchObject([{ type: "send", token: 1 }]);
    expect(bench.events.slice(-2)).toEqual([
      { type: "channel-changed", channel: 3 },
      { type: "channel-answered", answer: { result: "set", channel: 3 } },
    ]);
  });

  it("is asked for again each second, and given up in the end", () => {
    const bench = opened();
    bench.session.setChannel(3, bench.nowUs);
    bench.frames();
    for (let turn = 0; turn < QUESTION_TIMES_MAX; turn++) {
      bench.session.handleSignOfLife(bench.nowUs);
      bench.pass(CHANNEL_REPEAT_US);
    }
    const asked = bench.written.filter(({ type }) => type === "channel-request");
    expect(asked).toHaveLength(QUESTION_TIMES_MAX - 1);
    expect(new Set(asked.map((frame) => "request" in frame && frame.request)).size).toBe(1);
    expect(bench.events.at(-1)).toEqual({
      type: "channel-answered",
      answer: { result: "not-answered" },
    });
    bench.send();
    expect(bench.frames()).toMatchObject([{ type: "send" }]);
  });
});

/** What BRIDGE.md says of the bridge, in typed frames; the radio ends datagrams when it is told to. */
class ModelBridge {
  host = 0;
  nextToken = 0;
  readonly held: number[] = [];
  readonly finished: { token: number; outcome: TokenOutcome }[] = [];
  /** First byte of each datagram that it took. */
  readonly taken = new Set<number>();

  constructor(
    readonly bridge: number,
    readonly queue: number,
  ) {}

  handle(frame: HostFrame): BridgeFrame[] {
    if (frame.type === "hello-request") {
      if (frame.host !== this.host) {
        this.host = frame.host;
        this.nextToken = 0;
        this.held.length = 0;
        this.finished.length = 0;
      }
      return [this.#hello(this.host)];
    }
    if (this.host === 0) return [this.#hello(0)];
    if (frame.type === "status-request") return [this.#status(frame.request, this.queue)];
    if (frame.type !== "send") return [];
    const distance = (frame.token - this.nextToken) & 0xff;
    if (distance > this.queue) return [];
    this.nextToken = (frame.token + 1) & 0xff;
    for (let lost = distance; lost > 0; lost--) {
      this.#finish((frame.token - lost) & 0xff, "lost-on-line");
    }
    if (this.held.length >= this.queue) this.#finish(frame.token, "queue-full");
    else {
      this.held.push(frame.token);
      this.taken.add(frame.datagram[0]! + 256 * frame.datagram[1]!);
    }
    return this.held.at(-1) === frame.token && distance === 0 ? [] : [this.#status(0, 4)];
  }

  radio(outcome: TokenOutcome): BridgeFrame[] {
    const token = this.held.shift();
    if (token === undefined) return [];
    this.#finish(token, outcome);
    return [this.#status(0, 4)];
  }

  #finish(token: number, outcome: TokenOutcome): void {
    this.finished.unshift({ token, outcome });
    // By age, not by number: one that was lost is finished before older ones that wait here.
    const isRecent = (each: { token: number }) => this.#age(each.token) < this.queue;
    this.finished.splice(0, this.finished.length, ...this.finished.filter(isRecent));
  }

  #hello(host: number): BridgeFrame {
    const facts = { ...FACTS, queue: this.queue };
    return { type: "hello", versionMin: 1, versionMax: 1, host, bridge: this.bridge, facts };
  }

  #age(token: number): number {
    return (this.nextToken - 1 - token) & 0xff;
  }

  #status(request: number, pairsMax: number): BridgeFrame {
    const outcomes = this.finished
      .filter(({ token }) => this.#age(token) < this.queue)
      .slice(0, pairsMax);
    return { type: "status", request, nextToken: this.nextToken, outcomes };
  }
}

describe("a session over a line that loses frames", () => {
  it("has one true outcome for each datagram, and goes on for ever", () => {
    fc.assert(
      fc.property(
        fc.integer(),
        fc.integer({ min: 1, max: 64 }),
        fc.constantFrom(0, 0.1, 0.3, 0.6),
        (seed, queue, loss) => {
          const random = new Random(seed);
          const bridge = new ModelBridge(1, queue);
          const outcomes = new Map<number, SendOutcome[]>();
          const counts = { received: 0, receivedMissing: 0, lostOnLine: 0, restarts: 0 };
          const options = { random: () => random.uint32(), timeOnLine: () => 0, counts };
          let session = new HostSession(options, 0);
          let nowUs = 0;
          let handed = 0;
          let isLossy = true;
          const survives = () => !isLossy || random.uniform() >= loss;
          const step = () => {
            nowUs += 1000;
            session.handleTimeout(nowUs);
            while (handed < 400 && outcomes.size - settled() < queue && session.facts) {
              const number = handed++;
              outcomes.set(number, []);
              session.send({
                to: number % 7 === 0 ? OTHER : STATION,
                datagram: Uint8Array.of(number & 0xff, number >> 8),
                done: (outcome) => outcomes.get(number)?.push(outcome),
              });
            }
            const toHost: BridgeFrame[] = [];
            const next = () => session.pollFrame(nowUs, false);
            for (let frame = next(); frame; frame = next()) {
              if (survives()) toHost.push(...bridge.handle(frame));
            }
            if (random.uniform() < 0.5) toHost.push(...bridge.radio("acknowledged"));
            for (const frame of toHost) if (survives()) session.handleFrame(frame, nowUs);
            for (let event = session.pollEvent(); event; event = session.pollEvent()) {
              if (event.type === "send-finished") event.handover.done(event.outcome);
              // So much was lost that the bridge seemed to be away: the port is opened again.
              if (event.type === "session-stopped") session = new HostSession(options, nowUs);
            }
          };
          const settled = () => [...outcomes.values()].filter((told) => told.length > 0).length;
          for (let turn = 0; turn < 3000; turn++) step();
          isLossy = false;
          for (let turn = 0; turn < 3000 && (handed < 400 || settled() < 400); turn++) step();
          expect([handed, settled()]).toEqual([400, 400]);
          expect(counts.restarts).toBe(0);
          for (const [number, told] of outcomes) {
            expect(told).toHaveLength(1);
            if (told[0] === "gone") continue;
            // Told as taken if and only if the bridge took it.
            expect([number, told[0]]).toEqual([
              number,
              bridge.taken.has(number) ? "acknowledged" : "refused",
            ]);
          }
        },
      ),
      { numRuns: 40 },
    );
  });
});
