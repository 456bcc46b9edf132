import fc from "fast-check";
import { expect, it } from "vitest";
import type { BridgeCoreOptions } from "../../serial-bridge/src/bridge/bridge-core.js";
import { describeBridges } from "./bridge-programs.js";
import { anyBridge, anyStep, type Step } from "./bridge-steps.js";
import { ProgramTwins, type Said, Twins } from "./bridge-twins.js";
import type { CProgram } from "./support/c-program.js";

/** Conversations in this process; elsewhere so many times fewer as calls take longer. */
const RUNS = Number(process.env.FARDEL_BRIDGE_RUNS ?? 1000);

/** Most begin with a session. */
const GREETING: Step = {
  does: "host",
  frames: [{ does: "hello", host: 7, least: 1, most: 1 }],
  faults: [],
  isPause: true,
};
const conversation = fc
  .array(anyStep, { maxLength: 150, size: "max" })
  .map((steps) => [GREETING, ...steps]);

type Pair = new (program: CProgram, options: BridgeCoreOptions) => { take(step: Step): Said };

describeBridges("a bridge in TypeScript, and one in C", (bridge, slowness) => {
  it.each<[string, Pair]>([
    ["call by call", Twins],
    ["as programs, with a port that takes some bytes at a time", ProgramTwins],
  ])("say and do the same, byte for byte, whatever happens to them: %s", (_, Pair) => {
    let steps = 0;
    const property = fc.property(anyBridge, conversation, (options, some) => {
      try {
        const pair = new Pair(bridge.program, options);
        for (const step of some) {
          const { script, board } = pair.take(step);
          expect(board).toBe(script);
        }
        steps += some.length;
      } catch (error) {
        // It may have crashed, and a smaller case is looked for.
        bridge.end();
        throw error;
      }
    });
    fc.assert(property, { numRuns: Math.ceil(RUNS / slowness) });
    expect(steps).toBeGreaterThan((20 * RUNS) / slowness);
  });
});
