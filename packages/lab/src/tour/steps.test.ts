import { describe, expect, it } from "vitest";
import { FRAGMENT_STATES, fillFragmentStates } from "../picture/fragment-states.js";
import { testRun } from "../picture/test-record.js";
import { tourSteps } from "./steps.js";

describe("the tour", () => {
  it("has all its stops in the run that the page begins with", async () => {
    const record = await testRun();
    const steps = tourSteps(record, record.transfers[0]);
    expect(steps.map(({ title }) => title)).toEqual([
      "A gateway, and boards in an orchard",
      "Two sides get to know each other",
      "The blob is cut into fragments",
      "One dies on the way",
      "The window",
      "An ack tells what is missing",
      "Only the gaps are sent again",
      "Whole, or not at all",
      "The whole run at a glance",
    ]);
    for (const [index, { atUs }] of steps.entries()) {
      expect(atUs).toBeGreaterThanOrEqual(index === 0 ? 0 : steps[index - 1]!.atUs);
      expect(atUs).toBeLessThanOrEqual(record.endUs);
    }
  });

  it("shows what it talks about", async () => {
    const record = await testRun();
    const transfer = record.transfers[0]!;
    const steps = tourSteps(record, transfer);
    const states = new Uint8Array(transfer.fragmentCount);
    const statesAt = (title: string): string[] => {
      const step = steps.find((each) => each.title === title)!;
      fillFragmentStates(transfer, record.datagrams, step.atUs, states);
      return Array.from(states, (state) => FRAGMENT_STATES[state]!);
    };
    expect(statesAt("One dies on the way")).toContain("died");
    expect(statesAt("An ack tells what is missing")).toContain("lost");
    expect(statesAt("The window").slice(0, 16)).not.toContain("waiting");
    expect(new Set(statesAt("Whole, or not at all").filter((state) => state !== "known"))).toEqual(
      new Set(["arrived"]),
    );
  });

  it("leaves out what did not happen", async () => {
    const quiet = await testRun({ loss: 0 });
    const titles = tourSteps(quiet, quiet.transfers[0]).map(({ title }) => title);
    expect(titles).not.toContain("One dies on the way");
    expect(titles).not.toContain("Only the gaps are sent again");
    const bare = tourSteps({ ...quiet, transfers: [] }, undefined);
    expect(bare.length).toBeGreaterThanOrEqual(2);
  });
});
