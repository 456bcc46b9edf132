import { describe, expect, it } from "vitest";
import { DEFAULT_SETTINGS } from "../run/defaults.js";
import { runLab } from "../run/run-lab.js";
import type { Answer } from "./messages.js";
import { buffersOf, serveLab } from "./serve.js";

/** Every buffer in a value, however deep. */
function allBuffers(value: unknown, found = new Set<ArrayBufferLike>()): Set<ArrayBufferLike> {
  if (ArrayBuffer.isView(value)) found.add(value.buffer);
  else if (typeof value === "object" && value !== null) {
    for (const each of Object.values(value)) allBuffers(each, found);
  }
  return found;
}

/** Gives one order, and the answers up to the last one of its job. */
function answersTo(seeds: number, stopAfter: number): Promise<Answer[]> {
  return new Promise((resolve) => {
    const answers: Answer[] = [];
    const take = serveLab((answer) => {
      answers.push(answer);
      if (answers.length === stopAfter) take({ type: "stop", job: 5 });
      if (answer.type === "failed" || answer.type === "sweep-done") resolve(answers);
    });
    take({ type: "stop", job: 5 });
    take({ type: "sweep", job: 5, settings: DEFAULT_SETTINGS, file: undefined, seeds });
  });
}

describe("the worker's program", () => {
  it("stops when it is told to, and not by an order from before", async () => {
    const answers = await answersTo(1_000, 3);
    expect(answers.at(-1)).toEqual({
      type: "failed",
      job: 5,
      code: "stopped",
      sentence: "The run was stopped.",
    });
    expect(answers.length).toBeLessThan(20);
    expect((await answersTo(3, 99)).at(-1)).toMatchObject({ type: "sweep-done", job: 5 });
  });

  it("hands over every column of a record without a copy", async () => {
    const record = await runLab({ ...DEFAULT_SETTINGS, boards: 3 });
    expect(new Set(buffersOf(record))).toEqual(allBuffers(record));
    expect(buffersOf(record).length).toBeGreaterThan(40);
  });
});
