import { describe, expect, it } from "vitest";
import { FEATURE_NAMES } from "./features.js";
import { type RunOptions, type RunReport, runSeed } from "./run.js";

type Variant = Pick<RunOptions, "boards" | "boardTarget" | "isProtected">;

/** With fewer seeds it is left to chance what they see. */
const SEEN_MIN = 500;
/** Seeds of one test: its name says where a failure is to be looked for. */
const PART = 100;
/** ... where each call goes to another process. */
const PART_OF_PROGRAMS = 5;

/**
 * All promises, with so many seeds. Spread over several files, since files run side by side.
 * @param variant - which stations run the endpoint in C, and whether sessions are protected
 */
export function sweep(from: number, seeds: number, variant: Variant = {}): void {
  const { boards, boardTarget, isProtected } = variant;
  const target = boards ? ` (${boards}, ${boardTarget ?? "wasm"})` : "";
  const of = isProtected ? `${target} (protected)` : target;
  describe(`simulated runs from seed ${from}${of}`, () => {
    const reports: RunReport[] = [];

    const part = boardTarget ? PART_OF_PROGRAMS : PART;
    for (let start = from; start < from + seeds; start += part) {
      const end = Math.min(start + part, from + seeds);
      it(`keep all promises with seeds ${start} to ${end - 1}`, async () => {
        const failures: string[] = [];
        for (let seed = start; seed < end; seed++) {
          try {
            reports.push(await runSeed(seed, variant));
          } catch (error) {
            failures.push((error as Error).message);
          }
        }
        expect(failures).toEqual([]);
      });
    }

    if (seeds < SEEN_MIN) return;
    it("have seen something", () => {
      const sum = (count: (report: RunReport) => number) =>
        reports.reduce((total, report) => total + count(report), 0);
      const messages = sum((report) => report.messages);
      const seen = new Set(reports.flatMap(({ features }) => features));
      expect(messages).toBeGreaterThan(seeds * 10);
      expect(sum(({ arrivals }) => arrivals)).toBeGreaterThan(messages / 3);
      expect([...seen].sort()).toEqual([...FEATURE_NAMES].sort());
      // Each of the promises that show on the way was put to the test.
      expect(sum(({ checks }) => checks.prompt)).toBeGreaterThan(seeds / 10);
      // Strangers repeat what they hear: what is protected is not answered at all.
      if (!isProtected) expect(sum(({ checks }) => checks.strangers)).toBeGreaterThan(seeds / 10);
      expect(sum(({ checks }) => checks.commands)).toBeGreaterThan(seeds / 50);
    });
  });
}
