import { describe, expect, it } from "vitest";
import { nextPhase, type Phase, TRANSITIONS, type Trigger } from "./session-state.js";

const PHASES = ["idle", "opening", "answering", "open", "closed"] as const satisfies Phase[];
const TRIGGERS = [
  "open-requested",
  "opening-received",
  "echo-received",
  "claim-refuted",
  "ended",
] as const satisfies Trigger[];

/** Every phase and trigger; a dot where nothing changes. PROTOCOL.md, section 4.2. */
const TABLE: Record<Phase, readonly [string, string, string, string, string]> = {
  idle: ["opening", "answering", ".", ".", "closed"],
  opening: [".", "answering", "open", ".", "closed"],
  answering: [".", ".", "open", "opening", "closed"],
  open: [".", ".", ".", ".", "closed"],
  closed: [".", ".", ".", ".", "."],
};

describe("nextPhase", () => {
  for (const phase of PHASES) {
    TRIGGERS.forEach((trigger: Trigger, at) => {
      const to = TABLE[phase][at] as string;
      it(`${phase} ${trigger} ${to === "." ? "changes nothing" : `leads to ${to}`}`, () => {
        expect(nextPhase(phase, trigger)).toBe(to === "." ? phase : to);
      });
    });
  }

  it("knows no phase and no trigger besides these", () => {
    expect(Object.keys(TRANSITIONS).sort()).toEqual([...PHASES].sort());
    for (const row of Object.values(TRANSITIONS))
      for (const trigger of Object.keys(row)) expect(TRIGGERS).toContain(trigger);
  });
});
