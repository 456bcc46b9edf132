import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { type Found, median } from "./found-table.js";
import { chooseNearest, type NearnessDoubt } from "./nearness.js";

const SURE = { thresholdDbm: -40, marginDb: 10, samplesMin: 5 };

function board(number: number, ...rssiSamplesDbm: readonly number[]): Found {
  const announcement = {
    version: 1,
    isInPairingMode: true,
    takesPlainSessions: true,
    takesProtectedSessions: false,
    ways: [],
    mtuBytes: 250,
    window: 8,
    messageBytesMax: 0,
    kind: "row-station",
    name: `row ${number}`,
  };
  const { kind, name } = announcement;
  const address = Uint8Array.of(2, 0, 0, 0, 0, number);
  return { address, kind, name, announcement, rssiSamplesDbm, heardUs: 0 };
}

const times = (count: number, rssiDbm: number) => new Array<number>(count).fill(rssiDbm);

function doubt(found: readonly Found[]): [NearnessDoubt, string[]] | undefined {
  const nearest = chooseNearest(found, SURE);
  if ("chosen" in nearest) return undefined;
  expect(nearest.sentence).toMatch(/^[A-Z].*\.$/);
  return [nearest.ambiguous, nearest.candidates.map(({ name }) => name)];
}

describe("chooseNearest", () => {
  it("takes the strongest one that is strong enough and far enough ahead", () => {
    const found = [
      board(1, ...times(5, -50)),
      board(2, ...times(5, -40)),
      board(3, ...times(9, -70)),
    ];
    expect(chooseNearest(found, SURE)).toEqual({ chosen: found[1] });
    expect(chooseNearest([board(4, ...times(5, -40))], SURE)).toHaveProperty("chosen");
  });

  it("says in a sentence why nobody is chosen, and who it could be", () => {
    expect(doubt([])).toEqual(["nobody-heard", []]);
    expect(doubt([board(1)])).toEqual(["no-signal-strength", []]);
    expect(doubt([board(1, ...times(4, -30))])).toEqual(["too-few-announcements", ["row 1"]]);
    expect(doubt([board(1, ...times(5, -41))])).toEqual(["too-far", ["row 1"]]);
    const close = [board(1, ...times(5, -39)), board(2, ...times(5, -30))];
    expect(doubt(close)).toEqual(["about-as-near", ["row 2", "row 1"]]);
    expect(chooseNearest(close, SURE)).toMatchObject({
      sentence: "Two boards are about as near: hold the board closer.",
    });
  });

  it("takes a board that was heard seldom for as near as it ever seemed", () => {
    const sure = board(1, ...times(5, -30));
    expect(doubt([sure, board(2, -80, -80, -35, -80)])?.[0]).toBe("about-as-near");
    expect(doubt([sure, board(2, -80, -80, -35, -80, -80)])).toBeUndefined();
    expect(doubt([sure, board(2, -25)])?.[0]).toBe("too-few-announcements");
  });

  it("passes over boards of which nothing was heard lately", () => {
    expect(doubt([board(1), board(2, ...times(5, -30))])).toBeUndefined();
  });

  it("judges by what the median bears: less than half of wild values changes nothing", () => {
    fc.assert(
      fc.property(fc.array(fc.integer({ min: -120, max: 20 }), { maxLength: 7 }), (wild) => {
        const held = board(1, ...wild, ...times(8, -30));
        const others = [board(2, ...times(8, -45), ...wild), board(3, ...times(15, -60))];
        expect(doubt([...others, held])).toBeUndefined();
      }),
    );
  });

  it("never takes one that is not ahead by the margin, whatever was heard", () => {
    const samples = fc.array(fc.integer({ min: -100, max: -10 }), { maxLength: 15 });
    fc.assert(
      fc.property(fc.array(samples, { maxLength: 6 }), (heard) => {
        const found = heard.map((values, at) => board(at, ...values));
        const nearest = chooseNearest(found, SURE);
        if (!("chosen" in nearest)) return;
        const { rssiSamplesDbm } = nearest.chosen;
        expect(rssiSamplesDbm.length).toBeGreaterThanOrEqual(SURE.samplesMin);
        const level = median(rssiSamplesDbm) ?? Number.NaN;
        expect(level).toBeGreaterThanOrEqual(SURE.thresholdDbm);
        for (const other of found) {
          if (other === nearest.chosen) continue;
          expect(level - (median(other.rssiSamplesDbm) ?? -999)).toBeGreaterThanOrEqual(
            SURE.marginDb,
          );
        }
      }),
    );
  });

  it.each([
    { thresholdDbm: Number.NaN },
    { thresholdDbm: 51 },
    { marginDb: -1 },
    { samplesMin: 0 },
    { samplesMin: 16 },
    { samplesMin: 2.5 },
  ])("refuses %j", (options) => {
    expect(() => chooseNearest([], options)).toThrow(/Option \w+: .* is not a/);
  });
});
