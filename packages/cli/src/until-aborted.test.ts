import { describe, expect, it } from "vitest";
import { untilAborted } from "./until-aborted.js";

async function collect<T>(input: AsyncIterable<T>): Promise<T[]> {
  const items: T[] = [];
  for await (const item of input) items.push(item);
  return items;
}

describe("untilAborted", () => {
  it("hands on what comes, and what is thrown", async () => {
    async function* input() {
      yield 1;
      yield 2;
    }
    async function* broken() {
      yield 1;
      throw new Error("no more");
    }
    const { signal } = new AbortController();
    await expect(collect(untilAborted(input(), signal))).resolves.toEqual([1, 2]);
    await expect(collect(untilAborted(broken(), signal))).rejects.toThrow("no more");
  });

  it("ends while nothing comes", async () => {
    const interruption = new AbortController();
    async function* silent() {
      yield 1;
      interruption.abort();
      await new Promise(() => {});
    }
    await expect(collect(untilAborted(silent(), interruption.signal))).resolves.toEqual([1]);
  });

  it("asks for nothing when the signal came first", async () => {
    let isAsked = false;
    async function* input() {
      isAsked = true;
      yield 1;
    }
    await expect(collect(untilAborted(input(), AbortSignal.abort()))).resolves.toEqual([]);
    expect(isAsked).toBe(false);
  });

  it("lets go of the input and the signal when its reader stops early", async () => {
    let isReleased = false;
    async function* input() {
      try {
        for (;;) yield 1;
      } finally {
        isReleased = true;
      }
    }
    const { signal } = new AbortController();
    for await (const _ of untilAborted(input(), signal)) break;
    await Promise.resolve();
    expect(isReleased).toBe(true);
  });
});
