import { describe, expect, it } from "vitest";
import { Feedback, triggeredIfLost } from "./feedback.js";
import { modelLink } from "./link-model.js";

describe("the end of a burst of which something was lost", () => {
  it.each([
    // Alone, what was lost is the question itself: nobody answers.
    [0.3, 1, 0],
    // Two: all is lost in 0.09 of the 0.51 cases in which something is.
    [0.3, 2, 1 - 0.09 / 0.51],
    [0.3, 3, 1 - 0.027 / (1 - 0.343)],
    // Long ones: the last three have to be lost.
    [0.3, 1000, 1 - 0.027],
    [0, 1, 1],
  ])("loss %d, %i datagrams: calls for an ack with probability %d", (loss, burst, probability) => {
    expect(triggeredIfLost(loss, burst)).toBeCloseTo(probability, 9);
  });
});

describe("an ack", () => {
  it("takes 992 µs on the reference channel without loss, and nothing else is sent", () => {
    const feedback = new Feedback(modelLink("reference", 250, 0), 64, 5);
    expect(feedback.after(1, 3)).toEqual({ us: 3 * 992, varianceUs2: 0, acks: 3, probes: 0 });
  });

  it("that is lost costs 1 ÷ (1 − p)² probes", () => {
    const feedback = new Feedback(modelLink("reference", 250, 0.2), 64, 5);
    const { acks, probes } = feedback.after(0, 1);
    expect(probes).toBeCloseTo(1 / 0.64, 9);
    // Each probe that arrives is answered.
    expect(acks).toBeCloseTo(0.8 / 0.64, 9);
  });
});
