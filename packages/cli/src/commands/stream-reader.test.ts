import { VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { passTime } from "../test-context.js";
import { StreamReader } from "./stream-reader.js";

/** A stream that gives what is pushed, and notices when its reader leaves. */
class PushedStream implements AsyncIterable<Uint8Array> {
  isLeft = false;
  readonly #parts: Uint8Array[] = [];
  #isOver = false;
  #wake = () => {};

  push(byteCount: number): void {
    this.#parts.push(new Uint8Array(byteCount));
    this.#wake();
  }

  end(): void {
    this.#isOver = true;
    this.#wake();
  }

  [Symbol.asyncIterator](): AsyncIterator<Uint8Array> {
    return {
      next: async () => {
        for (;;) {
          const value = this.#parts.shift();
          if (value) return { done: false, value };
          if (this.#isOver) return { done: true, value: undefined };
          await new Promise<void>((resolve) => {
            this.#wake = resolve;
          });
        }
      },
      return: async () => {
        this.isLeft = true;
        return { done: true, value: undefined };
      },
    };
  }
}

function stage() {
  const clock = new VirtualClock();
  const stream = new PushedStream();
  const interruption = new AbortController();
  const reader = new StreamReader(stream, interruption.signal, clock);
  const read = async () => {
    let bytes = 0;
    for await (const part of reader) bytes += part.length;
    return bytes;
  };
  return { clock, stream, interruption, reader, read };
}

describe("StreamReader", () => {
  it("reads to the end, however long that takes, and leaves no timer", async () => {
    const { clock, stream, interruption, reader, read } = stage();
    const done = read();
    for (let hour = 1; hour <= 5; hour++) {
      clock.setTimer(hour * 3_600_000_000, () => stream.push(100_000));
    }
    clock.setTimer(6 * 3_600_000_000, () => stream.end());
    await clock.run();
    expect(await done).toBe(500_000);
    interruption.abort();
    expect([reader.isCut, clock.timerCount]).toEqual([false, 0]);
  });

  it("takes at the signal what is here, and finds that it was all", async () => {
    const { clock, stream, interruption, reader, read } = stage();
    for (let part = 0; part < 10; part++) stream.push(1000);
    stream.end();
    interruption.abort();
    expect(await passTime(clock, read())).toBe(10_000);
    expect([reader.isCut, clock.timerCount]).toEqual([false, 0]);
  });

  it("leaves a stream that is silent after the signal", async () => {
    const { clock, stream, interruption, reader, read } = stage();
    stream.push(1000);
    const done = read();
    interruption.abort();
    expect(await passTime(clock, done)).toBe(1000);
    expect([reader.isCut, stream.isLeft]).toEqual([true, true]);
  });

  it("leaves a stream that never ends, after what an endpoint can hold of it", async () => {
    const { clock, stream, interruption, reader, read } = stage();
    const push = () => {
      stream.push(1000);
      clock.setTimer(clock.nowUs() + 1000, push);
    };
    push();
    interruption.abort();
    expect(await passTime(clock, read())).toBe(66_000);
    expect([reader.isCut, stream.isLeft]).toEqual([true, true]);
  });
});
