import { describe, expect, it } from "vitest";
import { DEFAULT_SETTINGS } from "../run/defaults.js";
import { runLab } from "../run/run-lab.js";
import { lossSentence } from "./datagram.js";

describe("why a fragment was taken for lost", () => {
  it("is said of each datagram whose loss the sender noticed, and of no other", async () => {
    const record = await runLab({ ...DEFAULT_SETTINGS, loss: 0.3, boards: 2 });
    const { datagrams, transfers } = record;
    const told = Array.from({ length: datagrams.count }, (_, row) => lossSentence(record, row));
    const losses = transfers.reduce((sum, each) => sum + each.losses.atUs.length, 0);
    expect(losses).toBeGreaterThan(10);
    expect(told.filter((sentence) => sentence !== "")).toHaveLength(losses);
    expect(told.join()).toMatch(
      /At .+ the sender took it for lost: a later one was acknowledged\./,
    );
    for (const [row, sentence] of told.entries()) {
      if (sentence !== "") expect(datagrams.arrivedUs[row]).toBeNaN();
    }
  });
});
