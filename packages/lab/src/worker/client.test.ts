import { describe, expect, it } from "vitest";
import { DEFAULT_SETTINGS } from "../run/defaults.js";
import { recordToJson } from "../run/export-json.js";
import { runLab } from "../run/run-lab.js";
import type { LabSettings } from "../run/settings.js";
import { sweepSeeds } from "../run/sweep.js";
import { LabEngine, type LabWorker } from "./client.js";
import type { Answer, Order } from "./messages.js";
import { serveLab } from "./serve.js";

/** Runs the worker's program in this thread; everything is cloned on its way, as between threads. */
class WorkerHere implements LabWorker {
  readonly orders: Order[] = [];
  hasEnded = false;
  onError: (why: string) => void = () => {};
  onAnswer: (answer: Answer) => void = () => {};
  readonly #take = serveLab((answer, buffers) => {
    // Buffers of typed arrays that were just made; none is shared.
    const cloned = structuredClone(answer, { transfer: buffers as ArrayBuffer[] });
    setImmediate(() => {
      if (!this.hasEnded) this.onAnswer(cloned);
    });
  });

  listen(onAnswer: (answer: Answer) => void, onError: (why: string) => void): void {
    this.onAnswer = onAnswer;
    this.onError = onError;
  }

  post(order: Order): void {
    this.orders.push(order);
    const cloned = structuredClone(order);
    setImmediate(() => this.#take(cloned));
  }

  end(): void {
    this.hasEnded = true;
  }
}

function engineHere() {
  const workers: WorkerHere[] = [];
  const engine = new LabEngine(() => {
    const worker = new WorkerHere();
    workers.push(worker);
    return worker;
  });
  return { engine, workers };
}

const LONG: LabSettings = {
  ...DEFAULT_SETTINGS,
  boards: 20,
  load: { ...DEFAULT_SETTINGS.load, bytes: 1_000_000 },
};

describe("LabEngine", () => {
  it("brings the record that a run without a worker gives, and the progress", async () => {
    const { engine } = engineHere();
    const load = { ...DEFAULT_SETTINGS.load, bytes: 400_000 };
    const settings = { ...DEFAULT_SETTINGS, load };
    const shares: number[] = [];
    const record = await engine.run(settings, { onProgress: (share) => shares.push(share) });
    const here = await runLab(settings);
    expect([...recordToJson(record)].join("")).toBe([...recordToJson(here)].join(""));
    expect(shares.length).toBeGreaterThan(2);
    expect(shares.at(-1)).toBe(1);
  });

  it("runs two at once, and more workers than three never", async () => {
    const { engine, workers } = engineHere();
    const seeds = [1, 2, 3, 4, 5];
    const records = await Promise.all(
      seeds.map((seed) => engine.run({ ...DEFAULT_SETTINGS, seed })),
    );
    expect(records.map(({ settings }) => settings?.seed)).toEqual(seeds);
    expect(workers).toHaveLength(3);
    await engine.run(DEFAULT_SETTINGS);
    expect(workers).toHaveLength(3);
  });

  it("sweeps seeds, and tells each", async () => {
    const { engine } = engineHere();
    const times: number[] = [];
    const sweep = await engine.sweep(DEFAULT_SETTINGS, 4, { onSeed: (us) => times.push(us) });
    expect(sweep).toEqual(await sweepSeeds(DEFAULT_SETTINGS, 4));
    expect(times).toEqual([...sweep.timesUs]);
  });

  it("stops at once, and can run again with the same worker", async () => {
    const { engine, workers } = engineHere();
    const stop = new AbortController();
    const running = engine.run(LONG, {
      signal: stop.signal,
      onProgress: () => stop.abort(),
    });
    await expect(running).rejects.toMatchObject({ name: "LabError", code: "stopped" });
    expect(workers[0]!.orders.map(({ type }) => type)).toEqual(["run", "stop"]);
    const after = await engine.run(DEFAULT_SETTINGS, { signal: new AbortController().signal });
    expect(after.outcome).toBe("done");
    const before = engine.run(DEFAULT_SETTINGS, { signal: stop.signal });
    await expect(before).rejects.toMatchObject({ code: "stopped" });
  });

  it("takes what waits off the list when it is stopped", async () => {
    const { engine, workers } = engineHere();
    const running = [1, 2, 3].map((seed) => engine.run({ ...DEFAULT_SETTINGS, seed }));
    const stop = new AbortController();
    const waiting = engine.run({ ...DEFAULT_SETTINGS, seed: 4 }, { signal: stop.signal });
    stop.abort();
    await expect(waiting).rejects.toMatchObject({ code: "stopped" });
    await Promise.all(running);
    expect(workers.flatMap(({ orders }) => orders)).toHaveLength(3);
  });

  it("brings errors over as sentences", async () => {
    const { engine } = engineHere();
    const refused = engine.run({ ...DEFAULT_SETTINGS, boards: 0 });
    await expect(refused).rejects.toMatchObject({
      code: "bad-settings",
      message: "The number of boards must be a whole number from 1 to 50, not 0.",
    });
    await expect(engine.sweep(DEFAULT_SETTINGS, 0)).rejects.toMatchObject({ code: "bad-settings" });
  });

  it("replaces a worker that dies, and says so", async () => {
    const { engine, workers } = engineHere();
    const running = engine.run(LONG);
    workers[0]!.onError("out of memory");
    await expect(running).rejects.toMatchObject({
      code: "worker-failed",
      message: "The simulation cannot run here: out of memory. Reload the page.",
    });
    expect(workers[0]!.hasEnded).toBe(true);
    expect((await engine.run(DEFAULT_SETTINGS)).outcome).toBe("done");
    expect(workers).toHaveLength(2);
  });

  it("says so where there can be no worker", async () => {
    const engine = new LabEngine(() => {
      throw new Error("workers are forbidden here");
    });
    await expect(engine.run(DEFAULT_SETTINGS)).rejects.toMatchObject({ code: "worker-failed" });
  });

  it("ends everything when it is closed", async () => {
    const { engine, workers } = engineHere();
    const running = [engine.run(LONG), engine.run(LONG), engine.sweep(LONG, 9), engine.run(LONG)];
    engine.close();
    for (const each of running) await expect(each).rejects.toMatchObject({ code: "stopped" });
    expect(workers.every(({ hasEnded }) => hasEnded)).toBe(true);
  });
});
