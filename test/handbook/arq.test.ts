/**
 * How much of a link the protocol uses, against the textbook formulas of ARQ (W. Stallings, Data and
 * Computer Communications; A. Leon-Garcia, I. Widjaja, Communication Networks; formulas from memory).
 * With a = propagation time / frame time, P = loss of a frame, acks short and never lost:
 * stop-and-wait (1 - P) / (1 + 2a); selective repeat 1 - P for W >= 1 + 2a, else W (1 - P) / (1 + 2a).
 *
 * The formulas know no headers, no time for acks, and a time-out that ends to the moment. What that
 * makes of them here is stated with each bound.
 */
import { Endpoint } from "@fardel/core";
import { lossyPair, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";

interface Line {
  readonly mtuBytes: number;
  /** Time on the line for a byte, microseconds. */
  readonly perByteUs: number;
  /** One way, microseconds. */
  readonly propagationUs: number;
  readonly window: number;
  /** Loss of datagrams with data; acks are never lost. */
  readonly loss?: number;
  readonly frames: number;
  readonly seed?: number;
}

/** Share of the time in which the line carries frames for the first time, from the first to the last ack. */
async function utilisation(line: Line): Promise<number> {
  const { mtuBytes, perByteUs, propagationUs, window, loss = 0, frames, seed = 1 } = line;
  const clock = new VirtualClock();
  let state = seed;
  const random = () => {
    state = (Math.imul(state, 1664525) + 1013904223) >>> 0;
    return state;
  };
  const { a, b } = lossyPair({
    clock,
    seed,
    mtuBytes,
    airtime: { fixedUs: 0, perByteUs, overheadBytes: 0 },
    duplex: "full",
    delayUs: propagationUs,
    outstandingMax: 8,
    aToB: { loss },
  });
  const sender = await Endpoint.open({ link: a, clock, random });
  const receiver = await Endpoint.open({ link: b, clock, random, window });
  const peer = sender.peer(b.localAddress);
  // The session is opened and the round trip known before the measurement begins.
  const warm = peer.send(new Uint8Array(1), { channel: 3 });
  await settle(clock, warm);
  const startUs = clock.nowUs();
  receiver.onMessage(() => undefined);
  const payload = mtuBytes - 8;
  await settle(clock, peer.send(new Uint8Array(frames * payload - 10)));
  return (frames * mtuBytes * perByteUs) / (clock.nowUs() - startUs);
}

async function settle(clock: VirtualClock, promise: Promise<unknown>): Promise<void> {
  let isDone = false;
  const mark = () => {
    isDone = true;
  };
  promise.then(mark, mark);
  await clock.run({ until: () => isDone });
  await promise;
}

const stopAndWait = (a: number, loss = 0) => (1 - loss) / (1 + 2 * a);
const selectiveRepeat = (window: number, a: number, loss = 0) =>
  window >= 1 + 2 * a ? 1 - loss : (window * (1 - loss)) / (1 + 2 * a);

describe("stop-and-wait: a window of one fragment", () => {
  it.each([0.5, 1, 2, 10])(
    "without loss, a = %d: the formula, less the ack's own time",
    async (a) => {
      const frameUs = 2000;
      const line = {
        mtuBytes: 250,
        perByteUs: 8,
        propagationUs: a * frameUs,
        window: 1,
        frames: 60,
      };
      const measured = await utilisation(line);
      // An ack of 12 bytes takes 96 of the 2,000 µs of a frame.
      const expected = 1 / (1 / stopAndWait(a) + 96 / frameUs);
      expect(measured).toBeLessThanOrEqual(stopAndWait(a));
      expect(measured / expected).toBeGreaterThan(0.97);
      expect(measured / expected).toBeLessThan(1.03);
    },
  );

  it("the worked example of Kurose and Ross: 1,000 bytes, 30 ms: 0.008 / 30.008 = 0.00027", async () => {
    // Ten times as slow and as far: 80 µs a frame and 300 ms, for a clock of whole microseconds.
    const line = { mtuBytes: 1000, perByteUs: 0.08, propagationUs: 150_000, window: 1, frames: 20 };
    const measured = await utilisation(line);
    expect(0.008 / 30.008).toBeCloseTo(0.00027, 5);
    expect(measured / (0.008 / 30.008)).toBeGreaterThan(0.97);
    expect(measured / (0.008 / 30.008)).toBeLessThan(1.03);
  });

  it.each([
    [0.1, 1],
    [0.2, 2],
  ])(
    "with P = %d and a = %d: below the formula, since the loss is asked about before it is repeated",
    async (loss, a) => {
      const frameUs = 2000;
      const line = {
        mtuBytes: 250,
        perByteUs: 8,
        propagationUs: a * frameUs,
        window: 1,
        frames: 400,
        loss,
      };
      const measured = await utilisation(line);
      // A lost frame costs a time-out of a round trip and 1 ms more, and one question, which may be lost too.
      expect(measured).toBeLessThan(stopAndWait(a, loss));
      expect(measured).toBeGreaterThan(stopAndWait(a, loss) * (1 - 2.5 * loss));
    },
  );
});

describe("selective repeat: a window of many fragments", () => {
  it("20 kbit/s, 400 ms, 100-byte frames, window 10: at most 10 / 21 = 0.476", async () => {
    const line = { mtuBytes: 100, perByteUs: 400, propagationUs: 400_000, window: 10, frames: 300 };
    const measured = await utilisation(line);
    expect(selectiveRepeat(10, 10)).toBeCloseTo(0.476, 3);
    expect(measured).toBeLessThanOrEqual(0.476);
    // Acks come for half windows, not for frames: the last of a half waits for the others.
    expect(measured).toBeGreaterThan(0.476 * (21 / 26));
  });

  it.each([0, 0.05, 0.1, 0.2, 0.3])("window 255, a = 1, P = %d: 1 - P", async (loss) => {
    const line = {
      mtuBytes: 250,
      perByteUs: 8,
      propagationUs: 2000,
      window: 255,
      frames: 4000,
      loss,
    };
    const measured = await utilisation(line);
    const expected = selectiveRepeat(255, 1, loss);
    // 4 sigma of the number of repeats that 4,000 frames need (negative binomial) is below 4 %.
    expect(measured / expected).toBeGreaterThan(0.93);
    expect(measured / expected).toBeLessThan(1.04);
  });
});
