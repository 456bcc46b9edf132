import { describe, expect, it } from "vitest";
import { FEATURE_NAMES } from "./features.js";
import { type RunReport, runSeed } from "./run.js";

/** Seeds of one test: its name says where a failure is to be looked for. */
const PART = 100;

/** All promises, with so many seeds. Spread over several files, since files run side by side. */
export function sweep(from: number, seeds: number): void {
  describe(`simulated runs from seed ${from}`, () => {
    const reports: RunReport[] = [];

    for (let start = from; start < from + seeds; start += PART) {
      it(`keep all promises with seeds ${start} to ${start + PART - 1}`, async () => {
        const failures: string[] = [];
        for (let seed = start; seed < start + PART; seed++) {
          try {
            reports.push(await runSeed(seed));
          } catch (error) {
            failures.push((error as Error).message);
          }
        }
        expect(failures).toEqual([]);
      });
    }

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
      expect(sum(({ checks }) => checks.strangers)).toBeGreaterThan(seeds / 10);
      expect(sum(({ checks }) => checks.commands)).toBeGreaterThan(seeds / 50);
    });
  });
}
