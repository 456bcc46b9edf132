import { Endpoint, type Message } from "@fardel/core";
import { presets } from "@fardel/lossy-link";
import { afterEach, describe, expect, it, vi } from "vitest";
import type { Case } from "../scenario/cases.js";
import { parseScenario } from "../scenario/parse.js";
import { capacityBytesPerS } from "./channel.js";
import { runOnce, type Watcher } from "./run-once.js";
import { stationAddress, stationOf } from "./stations.js";

const never = new AbortController().signal;

function caseOf(fields: object): Case {
  const { cases } = parseScenario("test", JSON.stringify(fields));
  if (cases.length !== 1) throw new Error("It has several combinations.");
  return cases[0]!;
}

async function run(fields: object, seed = 1, options?: Parameters<typeof runOnce>[3]) {
  const result = await runOnce(caseOf(fields), seed, never, options);
  if (result === undefined) throw new Error("It was aborted.");
  return result;
}

const NOBODY: Watcher = {
  sent: () => {},
  delivered: () => {},
  ended: () => {},
  breached: () => {},
  observed: () => {},
};

afterEach(() => {
  vi.restoreAllMocks();
});

describe("a run whose course can be worked out", () => {
  it("one small message without loss: its opening on air, and the answer", async () => {
    const result = await run({ messages: [{ from: "gateway", bytes: 16 }] });
    // An opening is padded to 48 bytes: 552 µs + 8 µs · (43 + 48). Answer: 26 bytes.
    expect(result.entries[0]).toEqual({
      sent: 1,
      delivered: 1,
      replaced: 0,
      failed: 0,
      timesUs: [1280],
    });
    expect(result).toMatchObject({ datagrams: 2, airtimeUs: 1280 + 1104, failureCount: 0 });
    expect(result.efficiency).toBeCloseTo(16 / 1280 / (250 / 2896), 12);
  });

  it("messages go at their times, from each board", async () => {
    const sentUs: number[] = [];
    const watcher = { ...NOBODY, sent: ({ sentUs: us }: { sentUs: number }) => sentUs.push(us) };
    const message = { from: "board", bytes: 8, atS: 1, everyS: 0.3, count: 4 };
    const result = await run({ boards: 2, messages: [message] }, 1, { watcher });
    const times = [1_000_000, 1_300_000, 1_600_000, 1_900_000];
    expect(sentUs).toEqual(times.flatMap((us) => [us, us]));
    expect(result.entries[0]).toMatchObject({ sent: 8, delivered: 8 });
  });

  it("and leave at once, whatever is planned for later", async () => {
    const message = { from: "gateway", bytes: 16, everyS: 0.5, count: 4 };
    const { timesUs = [] } = (await run({ messages: [message] })).entries[0] ?? {};
    // The first in an opening; the others in a datagram of 24 bytes: 552 µs + 8 µs · (43 + 24).
    expect(timesUs).toEqual([1280, 1088, 1088, 1088]);
  });

  it("those acknowledged behind a gap are awaited, not taken for lost", async () => {
    const message = { from: "gateway", bytes: 16, everyS: 0.003, count: 200 };
    const result = await run({ link: { loss: 0.3 }, messages: [message] });
    expect(result.failures).toEqual([]);
    expect(result.entries[0]?.delivered).toBe(200);
  });

  it("they are spread at random, but never before their time", async () => {
    const sentUs: number[] = [];
    const watcher = { ...NOBODY, sent: ({ sentUs: us }: { sentUs: number }) => sentUs.push(us) };
    await run({ boards: 20, messages: [{ from: "board", bytes: 8, atS: 1, spreadS: 2 }] }, 1, {
      watcher,
    });
    expect(new Set(sentUs).size).toBe(20);
    expect(Math.min(...sentUs)).toBeGreaterThanOrEqual(1_000_000);
    expect(Math.max(...sentUs)).toBeLessThanOrEqual(3_000_000);
  });

  it("where nothing gets through every message fails at its deadline", async () => {
    const messages = [{ from: "gateway", bytes: 16, deadlineS: 2, count: 2 }];
    const result = await run({ link: { loss: 1 }, messages });
    expect(result.entries[0]).toMatchObject({ sent: 2, delivered: 0, failed: 2 });
    expect(result.failures[0]).toBe("message 1 from gateway to board 1: deadline-passed");
    expect(result.efficiency).toBeUndefined();
  });

  it("nothing gets through an outage, and everything after it", async () => {
    const link = { outages: [[0, 3]] };
    const result = await run({ link, messages: [{ from: "gateway", bytes: 16 }] });
    expect(result.entries[0]?.delivered).toBe(1);
    expect(result.entries[0]?.timesUs[0]).toBeGreaterThan(3_000_000);
  });

  it("unacknowledged messages that are lost are no failure", async () => {
    const message = { from: "board", bytes: 8, way: "unacknowledged", count: 400, everyS: 0.01 };
    const result = await run({ link: { loss: 0.3, delayMs: 40 }, messages: [message] });
    const { sent, delivered = 0, failed } = result.entries[0] ?? {};
    expect([sent, failed, result.failureCount]).toEqual([400, 0, 0]);
    // 4 standard deviations of a binomial distribution: √(400 · 0.3 · 0.7) = 9.2.
    expect(Math.abs(delivered - 280)).toBeLessThan(37);
  });

  it("newer values take the place of older ones", async () => {
    const message = { from: "board", bytes: 24, way: "latest", count: 50, everyS: 0.001 };
    const result = await run({ messages: [message] });
    const { sent, delivered = 0, replaced = 0 } = result.entries[0] ?? {};
    expect([sent, result.failureCount]).toEqual([50, 0]);
    expect(replaced).toBeGreaterThan(0);
    expect(delivered).toBeGreaterThanOrEqual(50 - replaced);
  });
});

describe("the same seed", () => {
  const scenario = {
    link: { loss: 0.2, burst: 3, duplicate: 0.05, reorder: 0.05, corrupt: 0.02, jitterMs: 2 },
    boards: 3,
    window: 8,
    messages: [
      { from: "gateway", bytes: 3000, priority: "bulk" },
      { from: "board", bytes: 2, way: "unordered", count: 20, everyS: 0.01, spreadS: 0.1 },
    ],
  };

  it("gives the same run, and another one another", async () => {
    const [one, same, other] = [await run(scenario), await run(scenario), await run(scenario, 2)];
    expect(one).toEqual(same);
    expect(one.failureCount).toBe(0);
    expect(other.entries[0]?.timesUs).not.toEqual(one.entries[0]?.timesUs);
  });

  it("is not disturbed by being watched", async () => {
    expect(await run(scenario, 1, { watcher: NOBODY })).toEqual(await run(scenario));
  });
});

describe("the channel", () => {
  it.each([
    [{ loss: 0.2 }, 1 / (1 - 0.2)],
    [{ loss: 0.5, burst: 4 }, 4],
  ])("%j loses its share, in runs of %d on the mean", async (link, burst) => {
    let lost = 0;
    let total = 0;
    let runs = 0;
    let wasLost = false;
    const watcher: Watcher = {
      ...NOBODY,
      observed: ({ from, fate }) => {
        if (stationOf(from) !== 0) return;
        const isLost = fate === "lost";
        total++;
        if (isLost) lost++;
        if (isLost && !wasLost) runs++;
        wasLost = isLost;
      },
    };
    // Sent whatever comes back: a sender that waits would not see every loss alike.
    const message = {
      from: "gateway",
      bytes: 40,
      way: "unacknowledged",
      everyS: 0.01,
      count: 9000,
    };
    await run({ link, messages: [message] }, 1, { watcher });
    expect(total).toBeGreaterThan(8000);
    // Of some 9,000: with bursts of 4 the deviation is about 0.02.
    expect(Math.abs(lost / total - link.loss)).toBeLessThan(0.04);
    expect(Math.abs(lost / runs / burst - 1)).toBeLessThan(0.15);
  });

  it("can be shut for a while by time", async () => {
    let lost = 0;
    let total = 0;
    const watcher: Watcher = {
      ...NOBODY,
      observed: ({ from, fate }) => {
        if (stationOf(from) !== 0) return;
        total++;
        if (fate === "lost") lost++;
      },
    };
    const link = { loss: 0.2, burstMs: 20 };
    await run({ link, messages: [{ from: "gateway", bytes: 1_000_000 }] }, 1, { watcher });
    expect(lost / total).toBeGreaterThan(0.02);
    // Less than the share of time: while nothing comes back the sender waits.
    expect(lost / total).toBeLessThan(0.25);
  });

  it("has the capacity of the design's reference", () => {
    const { link } = caseOf({ link: { loss: 0.25 }, messages: [{ from: "board", bytes: 1 }] });
    expect(capacityBytesPerS(link)).toBeCloseTo((250 / 2896e-6) * 0.75, 6);
    expect(capacityBytesPerS({ ...link, preset: "ideal", mtuBytes: 1500 })).toBeUndefined();
  });

  it.each(Object.keys(presets))("%s carries a message both ways", async (preset) => {
    const messages = [
      { from: "gateway", bytes: 900 },
      { from: "board", bytes: 900 },
    ];
    const result = await run({ link: { preset, loss: 0.1 }, messages });
    expect(result.failureCount).toBe(0);
    expect(result.entries.map(({ delivered }) => delivered)).toEqual([1, 1]);
  });
});

describe("a run that does not end by itself", () => {
  it("is cut, and counts as hung", async () => {
    const messages = [{ from: "gateway", bytes: 16, count: 3 }];
    const result = await run({ link: { loss: 1 }, messages }, 1, { untilUs: 5_000_000 });
    expect(result.failures).toEqual(["hung: 3 messages had not ended after 5 s, when it was cut"]);
  });

  it("is left as soon as it is aborted", async () => {
    const interruption = new AbortController();
    let frames = 0;
    const watcher: Watcher = {
      ...NOBODY,
      observed: () => {
        if (++frames === 100) interruption.abort();
      },
    };
    const each = caseOf({ messages: [{ from: "gateway", bytes: 1_000_000, count: 4 }] });
    expect(await runOnce(each, 1, interruption.signal, { watcher })).toBeUndefined();
    // Some thousand events later, not tens of thousands of datagrams.
    expect(frames).toBeLessThan(5_000);
  });
});

describe("an endpoint that breaks a promise", () => {
  /** Hands what arrives to the run as `tamper` says. */
  function tamperWith(tamper: (message: Message, hand: (message: Message) => void) => void) {
    const original = Endpoint.prototype.onMessage;
    vi.spyOn(Endpoint.prototype, "onMessage").mockImplementation(function (this: Endpoint, hand) {
      original.call(this, (message) => tamper(message, hand));
    });
  }
  const messages = [{ from: "gateway", bytes: 40, deadlineS: 1 }];

  it("by altering a message makes the run fail", async () => {
    tamperWith((message, hand) => {
      const bytes = message.bytes.slice();
      bytes[39]! ^= 1;
      hand({ ...message, bytes });
    });
    expect((await run({ messages })).failures[0]).toBe(
      "a message from gateway came to board 1 altered or never sent",
    );
  });

  it("by delivering it twice makes the run fail", async () => {
    tamperWith((message, hand) => {
      hand(message);
      hand(message);
    });
    const { failures, entries } = await run({ messages });
    expect(failures).toEqual(["a message from gateway came to board 1 delivered twice"]);
    expect(entries[0]?.delivered).toBe(1);
  });

  it("by acknowledging what it does not deliver makes the run hang, and be cut", async () => {
    tamperWith(() => {});
    expect((await run({ messages })).failures).toEqual([
      "hung: 1 message had not ended after 61 s, when it was cut",
    ]);
  });
});

describe("addresses of stations", () => {
  it("are told apart up to the last board", () => {
    const stations = Array.from({ length: 400 }, (_, station) => station);
    expect(stations.map((station) => stationOf(stationAddress(station)))).toEqual(stations);
  });
});
