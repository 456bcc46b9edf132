import { describe, expect, it } from "vitest";
import { ASK } from "../wire/head.js";
import { AckPolicy } from "./ack-policy.js";

const NEVER = Number.POSITIVE_INFINITY;

/** A policy that has measured a spacing of 800 µs, and owes nothing. */
function measured(): { policy: AckPolicy; number: number; nowUs: number } {
  const policy = new AckPolicy(25_000);
  for (let number = 0; number < 100; number++)
    policy.noteArrival(number, ASK.none, true, number * 800);
  policy.noteArrival(100, ASK.now, true, 80_000);
  policy.noteSent();
  return { policy, number: 101, nowUs: 1_000_000 };
}

describe("AckPolicy", () => {
  it("acks at once when asked, as a prompt answer to that datagram alone", () => {
    const policy = new AckPolicy(25_000);
    expect(policy.dueUs).toBe(NEVER);
    policy.noteArrival(7, ASK.now, false, 1000);
    expect(policy.dueUs).toBe(1000);
    expect(policy.isPrompt(7)).toBe(true);
    // Another one came meanwhile: the time since the question is no round trip any more.
    expect(policy.isPrompt(8)).toBe(false);
    policy.noteSent();
    expect(policy.dueUs).toBe(NEVER);
    expect(policy.isPrompt(7)).toBe(false);
  });

  it("waits for the question that was announced one or two datagrams ahead, and an eighth more", () => {
    for (const [ask, spacings] of [
      [ASK.next, 1.125],
      [ASK.afterNext, 2.125],
    ] as const) {
      const first = new AckPolicy(25_000);
      first.noteArrival(1, ask, true, 0);
      // Nothing measured yet: 5 ms.
      expect(first.dueUs).toBe(Math.ceil(5000 * spacings));
      const { policy, number, nowUs } = measured();
      policy.noteArrival(number, ask, true, nowUs);
      expect(Math.abs(policy.dueUs - nowUs - 800 * spacings)).toBeLessThanOrEqual(2);
    }
  });

  it("the question itself, when it comes, is answered at once", () => {
    const { policy, number, nowUs } = measured();
    policy.noteArrival(number, ASK.next, true, nowUs);
    policy.noteArrival(number + 1, ASK.now, true, nowUs + 300);
    expect(policy.dueUs).toBe(nowUs + 300);
  });

  it("acks after 25 ms of silence what nobody asks about, counted from the last one", () => {
    const policy = new AckPolicy(25_000);
    for (const us of [0, 10_000, 20_000, 30_000])
      policy.noteArrival(us / 10_000, ASK.none, true, us);
    expect(policy.dueUs).toBe(55_000);
  });

  it("owes nothing for what asks for nothing", () => {
    const policy = new AckPolicy(25_000);
    policy.noteArrival(1, ASK.none, false, 500);
    expect(policy.dueUs).toBe(NEVER);
  });

  it("acks on request, but never later than it would have", () => {
    const policy = new AckPolicy(25_000);
    policy.noteArrival(1, ASK.now, true, 100);
    policy.request(900);
    expect(policy.dueUs).toBe(100);
    policy.noteSent();
    policy.request(950);
    expect(policy.dueUs).toBe(950);
  });

  it("does not take a pause, a gap or the time around its own acks for a spacing", () => {
    const { policy, number, nowUs } = measured();
    // After an ack of ours: the first datagram of a new burst.
    policy.noteArrival(number, ASK.none, true, nowUs);
    // One in between was lost.
    policy.noteArrival(number + 2, ASK.none, true, nowUs + 90_000);
    // A pause of two seconds.
    policy.noteArrival(number + 3, ASK.none, true, nowUs + 2_090_000);
    // Late, by another way.
    policy.noteArrival(number + 1, ASK.none, true, nowUs + 2_095_000);
    policy.noteArrival(number + 4, ASK.next, true, nowUs + 2_090_800);
    expect(Math.abs(policy.dueUs - (nowUs + 2_090_800) - 900)).toBeLessThanOrEqual(2);
  });
});
