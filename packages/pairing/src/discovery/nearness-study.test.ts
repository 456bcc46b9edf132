import { Endpoint } from "@fardel/core";
import { environments, Medium, presets, Random, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { announce } from "./announce.js";
import { discover } from "./discover.js";
import { chooseNearest, NEARNESS_DEFAULTS } from "./nearness.js";
import { studyNearness, upperBound } from "./nearness-study.js";

const PLACES = ["orchard", "home", "office"] as const;
const LAYOUTS = ["plot", "crowded"] as const;
const SITUATIONS = PLACES.flatMap((place) => LAYOUTS.map((layout) => ({ place, layout })));
/** The strongest that the defaults are meant for; less fading is easier. */
const FADING_DB = 6;
const RUNS = 20_000;

describe("the choice of the nearest board, by simulation", () => {
  it.each(SITUATIONS)(
    "$place, $layout: wrong in less than one of a thousand cases",
    ({ place, layout }) => {
      const { wrong, right, runs } = studyNearness(
        {
          propagation: { ...environments[place], fadingDb: FADING_DB },
          layout,
          inHand: "like-the-others",
          othersMin: 1,
          othersMax: 20,
        },
        RUNS,
        new Random(`nearness/${place}/${layout}`),
      );
      expect(upperBound(wrong, runs)).toBeLessThan(0.001);
      expect(right).toBeGreaterThan(10 * wrong);
    },
  );

  it.each(PLACES)(
    "%s: closer is mostly near enough, where one other board is in pairing mode",
    (place) => {
      const { right, wrong, runs } = studyNearness(
        {
          propagation: { ...environments[place], fadingDb: FADING_DB },
          layout: "plot",
          inHand: "close",
          othersMin: 1,
          othersMax: 1,
        },
        2000,
        new Random(`closer/${place}`),
      );
      expect(right / runs).toBeGreaterThan(0.8);
      expect(wrong).toBe(0);
    },
  );

  it("would be wrong more often with half the margin", () => {
    const { wrong, runs } = studyNearness(
      {
        propagation: { ...environments.office, fadingDb: FADING_DB },
        layout: "crowded",
        inHand: "like-the-others",
        othersMin: 1,
        othersMax: 20,
        marginDb: NEARNESS_DEFAULTS.marginDb / 2,
      },
      2000,
      new Random("half the margin"),
    );
    expect(wrong / runs).toBeGreaterThan(0.002);
  });

  it("knows what a count of hits does not refute", () => {
    // Exact (C. Clopper, E. Pearson, 1934) for no hit in 1000: 1 - 0.05^(1/1000) = 0.0029912 (computed).
    expect(upperBound(0, 1000)).toBeCloseTo(0.0029912, 3);
    expect(upperBound(500, 1000)).toBeCloseTo(0.5 + 1.645 * Math.sqrt(0.25 / 1000), 3);
    expect(upperBound(1000, 1000)).toBeCloseTo(1, 9);
  });
});

/** Boards in pairing mode on the air of an orchard: who is chosen after a while of listening. */
async function listen(seed: number): Promise<"right" | "wrong" | "nobody"> {
  const clock = new VirtualClock();
  const propagation = { ...environments.orchard, fadingDb: FADING_DB };
  const medium = new Medium({ ...presets.contention(), clock, seed, loss: 0.1, propagation });
  const stream = new Random(`listening/${seed}`);
  const random = () => stream.uint32();
  const gateway = await Endpoint.open({
    link: medium.attach({ address: Uint8Array.of(2, 0, 0, 0, 0, 1), position: { xM: 0, yM: 0 } }),
    clock,
  });
  for (let at = 0; at <= stream.integer(1, 6); at++) {
    const xM = at === 0 ? 0.5 : 2 + 28 * stream.uniform();
    const link = medium.attach({
      address: Uint8Array.of(2, 0, 0, 0, 1, at),
      position: { xM, yM: 0 },
    });
    const board = await Endpoint.open({ link, clock });
    announce(board, { name: `row ${at}`, clock, random }).startPairingMode(["code"]);
  }
  const search = discover(gateway, { mode: "listen", pairingOnly: true, clock, random });
  await clock.run({ untilUs: 5_000_000 });
  const nearest = chooseNearest(search.found());
  search.stop();
  if (!("chosen" in nearest)) return "nobody";
  return nearest.chosen.name === "row 0" ? "right" : "wrong";
}

describe("the choice of the nearest board, on a simulated medium", () => {
  it("takes the right one or nobody", async () => {
    const counts = { right: 0, wrong: 0, nobody: 0 };
    for (let seed = 1; seed <= 150; seed++) counts[await listen(seed)]++;
    expect(counts.wrong).toBe(0);
    expect(counts.right).toBeGreaterThan(10);
    expect(counts.nobody).toBeGreaterThan(10);
  });
});
