import { Dice, SECOND } from "./dice.js";
import type { Feature } from "./features.js";
import type { Frame } from "./frame.js";
import type { IntrusionPlan, StrokePlan } from "./scenario.js";

/** Foreign addresses of one run. */
export const STRANGERS_MAX = 4;

export function drawStrokes(
  seed: number,
  features: ReadonlySet<Feature>,
  frame: Frame,
): StrokePlan[] {
  const strokes: StrokePlan[] = [];
  const kinds = { restarts: "restart", radioRestarts: "radio", closes: "close" } as const;
  for (const [feature, kind] of Object.entries(kinds)) {
    if (!features.has(feature as Feature)) continue;
    const dice = new Dice(seed, kind);
    for (let left = dice.integer(1, 4); left > 0; left--) {
      const station = dice.chance(0.4) ? 0 : dice.integer(0, frame.count - 1);
      const isUnnoticed = kind === "restart" && dice.chance(0.5);
      strokes.push({
        atUs: dice.integer(0, frame.healUs),
        station,
        kind,
        deafUs: isUnnoticed ? -1 : dice.scaled(1000, 10 * SECOND),
        peer: station === 0 ? dice.integer(1, frame.count - 1) : 0,
      });
    }
  }
  return strokes;
}

export function drawIntrusions(
  seed: number,
  features: ReadonlySet<Feature>,
  frame: Frame,
): IntrusionPlan[] {
  const intrusions: IntrusionPlan[] = [];
  for (const [feature, kind] of [
    ["replays", "replay"],
    ["strangers", "stranger"],
  ] as const) {
    if (!features.has(feature)) continue;
    const dice = new Dice(seed, feature);
    const strangers = dice.integer(1, STRANGERS_MAX);
    const station = dice.integer(0, frame.count - 1);
    for (let left = dice.scaled(4, 100); left > 0; left--) {
      // The same station for most: what one address has sent adds up there.
      const isElsewhere = dice.chance(0.3);
      intrusions.push({
        atUs: dice.integer(0, frame.healUs),
        kind,
        station: isElsewhere ? dice.integer(0, frame.count - 1) : station,
        stranger: dice.integer(0, strangers - 1),
        age: dice.between(0, 1),
        change: dice.pick(["none", "none", "none", "flip", "cut", "grow", "random"]),
        salt: dice.integer(0, 0xffff_ffff),
      });
    }
  }
  return intrusions;
}
