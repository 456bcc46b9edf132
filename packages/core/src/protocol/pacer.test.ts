import { describe, expect, it } from "vitest";
import { Pacer } from "./pacer.js";
import { seededRandom } from "./wired-pair.js";

const S = 1_000_000;

/** What stands between the sender and the receiver: says of each datagram whether it gets through. */
type Path = (nowUs: number) => boolean;

/** Independent loss. */
function lossy(rate: number, seed: number): Path {
  const random = seededRandom(seed);
  return () => random() / 2 ** 32 >= rate;
}

/** A queue of 4 places in front of a line that takes 2 ms for each datagram; what finds it full is lost. */
function shortQueue(lossRate: number, seed: number): Path {
  const isWhole = lossy(lossRate, seed);
  let freeUs = 0;
  return (nowUs) => {
    freeUs = Math.max(freeUs, nowUs);
    if (freeUs - nowUs > 4 * 2000) return false;
    freeUs += 2000;
    return isWhole(nowUs);
  };
}

interface Run {
  readonly sent: number;
  readonly delivered: number;
  /** Share of the time in which datagrams were paced, in its last half. */
  readonly pacedShare: number;
}

/** Windows of 64, each answered after 20 ms; the link takes a datagram every `linkUs`. */
function run(path: Path, linkUs: number, durationUs: number): Run {
  const pacer = new Pacer();
  let [nowUs, number, sent, delivered, pacedUs, lastUs] = [0, 0, 0, 0, 0, 0];
  while (nowUs < durationUs) {
    let lost = 0;
    for (let i = 0; i < 64; i++) {
      if (pacer.holds(nowUs)) {
        expect(pacer.wakeUs).toBeGreaterThan(nowUs);
        nowUs = pacer.wakeUs;
        pacer.noteTime(nowUs);
      }
      pacer.noteSent(nowUs);
      sent++;
      number++;
      if (path(nowUs)) delivered++;
      else lost++;
      nowUs += linkUs;
    }
    nowUs += 20_000;
    pacer.noteAck(number, lost, linkUs, nowUs);
    if (nowUs > durationUs / 2 && pacer.intervalUs > 0) pacedUs += nowUs - lastUs;
    lastUs = nowUs;
  }
  return { sent, delivered, pacedShare: pacedUs / (durationUs / 2) };
}

describe("Pacer", () => {
  for (const linkUs of [100, 1000]) {
    for (const rate of [0, 0.1, 0.3, 0.5]) {
      it(`never slows down for random loss of ${rate}, a datagram every ${linkUs} µs`, () => {
        for (let seed = 1; seed <= 5; seed++) {
          const { sent, pacedShare } = run(lossy(rate, seed), linkUs, 60 * S);
          // At a half, chance alone gives one window in 60,000 with three quarters lost.
          expect(pacedShare).toBeLessThan(rate < 0.5 ? Number.MIN_VALUE : 0.02);
          // As fast as the link: 64, and 20 ms for the answer.
          const roundUs = 64 * linkUs + 20_000;
          expect(sent).toBeGreaterThan(((60 * S * 64) / roundUs) * 0.98);
        }
      });
    }
  }

  it("tries at more than three quarters of random loss, but goes back and rests", () => {
    for (let seed = 1; seed <= 10; seed++) {
      const { pacedShare } = run(lossy(0.85, seed), 100, 120 * S);
      expect(pacedShare).toBeGreaterThan(0);
      expect(pacedShare).toBeLessThan(0.35);
    }
  });

  it("never holds back a link that waits for its medium", () => {
    const { pacedShare } = run(lossy(0.9, 1), 301, 60 * S);
    expect(pacedShare).toBe(0);
  });

  it("finds the pace of a queue that overflows, and loses little from then on", () => {
    // The link swallows at once what the line behind it takes 2 ms for.
    const paced = run(shortQueue(0, 1), 20, 60 * S);
    expect(paced.pacedShare).toBeGreaterThan(0.9);
    expect(paced.delivered / paced.sent).toBeGreaterThan(0.8);
    // The line could carry 64 in 148 ms.
    expect(paced.delivered).toBeGreaterThan(((60 * S * 64) / 148_000) * 0.75);
  });

  it("holds nothing back, and wakes nobody, until it has a pace", () => {
    const pacer = new Pacer();
    pacer.noteSent(0);
    expect(pacer.holds(0)).toBe(false);
    expect(pacer.wakeUs).toBe(Number.POSITIVE_INFINITY);
  });

  it("ends its trial when what seemed lost has arrived: that was no overflow", () => {
    const pacer = new Pacer();
    pacer.noteAck(0, 0, 20, 0);
    pacer.noteSent(0);
    pacer.noteAck(32, 31, 20, 30_000);
    expect(pacer.intervalUs).toBeGreaterThan(0);
    pacer.noteMistaken(31);
    expect(pacer.intervalUs).toBe(0);
    expect(pacer.holds(30_000)).toBe(false);
  });

  it("takes off what seemed lost and has arrived before it judges", () => {
    const pacer = new Pacer();
    pacer.noteAck(0, 0, 20, 0);
    pacer.noteSent(0);
    pacer.noteAck(8, 30, 20, 10_000);
    pacer.noteMistaken(30);
    pacer.noteAck(40, 0, 20, 30_000);
    expect(pacer.intervalUs).toBe(0);
  });

  it("judges 32 datagrams or more at a time", () => {
    const pacer = new Pacer();
    pacer.noteAck(0, 0, 20, 0);
    pacer.noteSent(0);
    for (let number = 1; number < 32; number++) pacer.noteAck(number, 1, 20, number * 1000);
    expect(pacer.intervalUs).toBe(0);
    // 32 sent, 31 lost: one got through in 32 ms.
    pacer.noteAck(32, 0, 20, 32_000);
    expect(pacer.intervalUs).toBe(32_000);
  });
});

it("paces never slower than one datagram in eight round trips, however the rate was measured", () => {
  const pacer = new Pacer();
  // Nine in ten are lost, and the ack is late by an outage of 100 s: one datagram in 15 s, it seems.
  for (let sent = 0; sent < 64; sent++) pacer.noteSent(0);
  pacer.noteAck(0, 0, 0, 0);
  for (let sent = 0; sent < 64; sent++) pacer.noteSent(0);
  pacer.noteAck(64, 58, 0, 100 * S);
  expect(pacer.intervalUs).toBeGreaterThan(10 * S);
  pacer.noteSent(100 * S, 5000);
  expect(pacer.holds(100 * S + 8 * 5000 - 1)).toBe(true);
  expect(pacer.holds(100 * S + 8 * 5000)).toBe(false);
});
