import { describe, expect, it } from "vitest";
import { LOSS_RUN_MIN, LossRuns } from "./loss-runs.js";

/** What each of these lost datagrams made known. */
function tell(runs: LossRuns, peer: string, numbers: readonly number[]) {
  return numbers.map((number) => runs.noteLost(peer, number));
}
const from = (first: number, count: number) =>
  Array.from({ length: count }, (_, index) => (first + index) % 2 ** 32);

describe("LossRuns", () => {
  it("tells a run once, when it is long enough", () => {
    const told = tell(new LossRuns(), "row 1", from(100, 3 * LOSS_RUN_MIN));
    expect(told.flatMap((run, index) => (run === undefined ? [] : [[index + 1, run]]))).toEqual([
      [LOSS_RUN_MIN, LOSS_RUN_MIN],
    ]);
  });

  it("begins anew after one that was not lost", () => {
    const runs = new LossRuns();
    const numbers = [...from(0, LOSS_RUN_MIN - 1), ...from(LOSS_RUN_MIN, LOSS_RUN_MIN - 1)];
    expect(tell(runs, "row 1", numbers).every((run) => run === undefined)).toBe(true);
    expect(runs.noteLost("row 1", 2 * LOSS_RUN_MIN - 1)).toBe(LOSS_RUN_MIN);
  });

  it("counts a datagram with several fragments once, and goes on across the wrap", () => {
    const doubled = from(2 ** 32 - 3, LOSS_RUN_MIN).flatMap((number) => [number, number]);
    const told = tell(new LossRuns(), "row 1", doubled);
    expect(told.filter((run) => run !== undefined)).toEqual([LOSS_RUN_MIN]);
    expect(told.at(-2)).toBe(LOSS_RUN_MIN);
  });

  it("keeps peers and sessions apart", () => {
    const runs = new LossRuns();
    for (const number of from(0, LOSS_RUN_MIN - 1)) {
      expect([runs.noteLost("row 1", number), runs.noteLost("row 2", number)]).toEqual([
        undefined,
        undefined,
      ]);
    }
    runs.forget("row 1");
    expect(runs.noteLost("row 1", LOSS_RUN_MIN - 1)).toBeUndefined();
    expect(runs.noteLost("row 2", LOSS_RUN_MIN - 1)).toBe(LOSS_RUN_MIN);
  });

  it("remembers no more peers than it may", () => {
    const runs = new LossRuns();
    for (let peer = 0; peer < 16_384; peer++) runs.noteLost(String(peer), 0);
    expect(tell(runs, "one too many", from(0, LOSS_RUN_MIN)).at(-1)).toBeUndefined();
    expect(tell(runs, "0", from(1, LOSS_RUN_MIN - 1)).at(-1)).toBe(LOSS_RUN_MIN);
  });
});
