import { describe, expect, it } from "vitest";
import type { Row } from "../benchmark.js";
import { contestants, race } from "./kernel-tcp.js";
import type { Outcome } from "./lane.js";
import type { Track } from "./lanes.js";
import type { Task } from "./messages.js";
import type { AirOptions } from "./relay.js";

const RELAY: Outcome["relay"] = {
  frames: [70, 30],
  bytes: [16_000, 1600],
  lost: [7, 3],
  dropped: [2, 1],
  queuedMax: [64, 3],
  oversized: 0,
  lateUsMax: 120,
  lateUsMean: 50,
  isRealtime: true,
};

interface Asked extends Task, AirOptions {
  readonly limitMs: number;
}

/** A track on which no time passes. */
class FakeTrack implements Track {
  readonly asked: Asked[] = [];
  isClosed = false;
  readonly #outcome: (asked: Asked, count: number) => Partial<Outcome> | Error;

  constructor(outcome: (asked: Asked, count: number) => Partial<Outcome> | Error = () => ({})) {
    this.#outcome = outcome;
  }

  async run(task: Task, air: AirOptions, limitMs: number): Promise<Outcome> {
    const asked = { ...task, ...air, limitMs };
    this.asked.push(asked);
    const outcome = this.#outcome(asked, this.asked.length);
    if (outcome instanceof Error) throw outcome;
    return { end: "done", elapsedUs: 1e6, heldBytes: task.bytes, relay: RELAY, ...outcome };
  }

  async close(): Promise<void> {
    this.isClosed = true;
  }
}

const ALL = contestants(["reno", "cubic", "bbr"]);
/** Short messages: the simulated rows are real. */
const QUICK = { seeds: 33, scale: 0.01 };
const GROUPS = 10;

async function rowsOf(track: Track, options = QUICK): Promise<Row[]> {
  const rows: Row[] = [];
  for await (const row of race(track, ALL, options)) rows.push(row);
  return rows;
}

const NUMBERS = ["bytes", "loss", "seeds", "goodput", "efficiency", "ratio", "frames", "done"];
const OF_RELAY = ["dropped", "lateUs"];

describe("the rows of a race", () => {
  it("have one shape, for each size, loss and protocol", async () => {
    const rows = await rowsOf(new FakeTrack());
    expect(rows).toHaveLength(GROUPS * (ALL.length + 1));
    for (const row of rows) {
      const numbers = row.protocol === "fardel, simulated" ? NUMBERS : [...NUMBERS, ...OF_RELAY];
      expect(Object.keys(row)).toEqual(["bench", "protocol", ...numbers]);
      expect(row.bench).toBe("kernel-tcp");
      for (const name of numbers) expect(Number.isFinite(row[name]), name).toBe(true);
    }
    expect(rows.slice(0, ALL.length + 1).map(({ protocol }) => protocol)).toEqual([
      "TCP cubic",
      "TCP bbr",
      "fardel over UDP",
      "stop-and-wait, 20 ms",
      "stop-and-wait, 5 ms",
      "three times, no acks",
      "fardel, simulated",
    ]);
  });

  it("compare with the first TCP, on the same air for everybody", async () => {
    const track = new FakeTrack(({ contestant }) => ({
      elapsedUs: contestant.kind === "fardel" ? 250_000 : 1e6,
    }));
    const [cubic, bbr, fardel] = await rowsOf(track, { seeds: 100, scale: 0.01 });
    // 164 bytes in a second, of 86,326 that the air can carry.
    expect(cubic).toMatchObject({ bytes: 164, seeds: 3, goodput: 164, ratio: 1, done: 1 });
    expect(cubic?.efficiency).toBe(0.0019);
    expect(bbr?.ratio).toBe(1);
    expect(fardel).toMatchObject({ ratio: 4, goodput: 656, frames: 100, dropped: 3, lateUs: 120 });
    const airs = track.asked.map(({ loss, seed, queueFrames, order }) =>
      [loss, seed, queueFrames, order].join(),
    );
    expect(airs.filter((one) => one === "0.2,3,64,first-come")).toHaveLength(2 * ALL.length);
    expect(new Set(airs).size).toBe(5 * 3);
  });

  it("count what had arrived at the limit, and nothing for what failed", async () => {
    const track = new FakeTrack(({ contestant }) => {
      if (contestant.kind === "tcp") return { end: "late", elapsedUs: 0, heldBytes: 60 };
      return contestant.kind === "by-hand" ? { end: "failed", elapsedUs: 0 } : {};
    });
    const [cubic, , fardel, byHand] = await rowsOf(track);
    const limitMs = 600;
    expect(track.asked[0]?.limitMs).toBe(limitMs);
    expect(cubic).toMatchObject({ goodput: 100, done: 0 });
    expect(fardel).toMatchObject({ goodput: 164, done: 1, ratio: 1.64 });
    expect(byHand).toMatchObject({ goodput: 0, done: 0, ratio: 0 });
  });

  it("have no ratio where TCP carried nothing", async () => {
    const track = new FakeTrack(({ contestant }) =>
      contestant.kind === "tcp" ? { end: "late", heldBytes: 0 } : {},
    );
    for (const row of await rowsOf(track)) expect(row).not.toHaveProperty("ratio");
  });

  it("leave out a run in which the relay was held up, and keep the best after three tries", async () => {
    const late = (lateUsMax: number) => ({ relay: { ...RELAY, lateUsMax } });
    const once = new FakeTrack((_asked, count) => late(count <= ALL.length * GROUPS ? 3001 : 80));
    expect((await rowsOf(once))[0]?.lateUs).toBe(80);
    expect(once.asked).toHaveLength(2 * ALL.length * GROUPS);
    const tries = new Map<string, number>();
    const always = new FakeTrack(({ contestant, bytes, loss }) => {
      const key = JSON.stringify([contestant, bytes, loss]);
      const count = (tries.get(key) ?? 0) + 1;
      tries.set(key, count);
      return late([9000, 4000, 5000][count - 1] ?? 0);
    });
    expect((await rowsOf(always))[0]?.lateUs).toBe(4000);
    expect(always.asked).toHaveLength(3 * ALL.length * GROUPS);
  });

  it("end with the track closed, also when a run breaks off or nobody wants more", async () => {
    const broken = new FakeTrack((_asked, count) => (count >= 3 ? new Error("cable") : {}));
    await expect(rowsOf(broken)).rejects.toThrow("cable");
    expect(broken.isClosed).toBe(true);
    const left = new FakeTrack();
    for await (const row of race(left, ALL, QUICK)) {
      expect(row.protocol).toBe("TCP cubic");
      break;
    }
    expect(left.isClosed).toBe(true);
  });
});

describe("the contestants", () => {
  it.each([
    [
      ["reno", "cubic"],
      ["TCP cubic", "TCP reno"],
    ],
    [
      ["bbr", "reno", "cubic", ""],
      ["TCP cubic", "TCP bbr"],
    ],
    [["reno"], ["TCP reno"]],
  ])("are what the kernel has, %j, at most two of them", (available, names) => {
    const found = contestants(available).filter(({ contestant }) => contestant.kind === "tcp");
    expect(found.map(({ name }) => name)).toEqual(names);
  });
});
