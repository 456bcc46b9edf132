import { Dice } from "./dice.js";
import { drawAir } from "./draw-air.js";
import { drawSends } from "./draw-sends.js";
import { drawStations } from "./draw-stations.js";
import { drawIntrusions, drawStrokes } from "./draw-strokes.js";
import { FEATURE_NAMES, type Feature } from "./features.js";
import { drawFrame } from "./frame.js";
import type { Scenario } from "./scenario.js";

/** @param without - features that stay off whatever the seed says */
export function drawScenario(seed: number, without: ReadonlySet<Feature> = new Set()): Scenario {
  const dice = new Dice(seed, "features");
  const share = dice.pick([0.05, 0.15, 0.3, 0.5, 0.75]);
  const drawn = FEATURE_NAMES.filter(() => dice.chance(share));
  const features = new Set(drawn.filter((feature) => !without.has(feature)));
  const frame = drawFrame(seed, features);
  const stations = drawStations(seed, features, frame);
  const sends = drawSends(seed, features, frame, stations);
  const { paths, ...air } = drawAir(seed, features, frame);
  return {
    seed,
    features,
    ...air,
    paths,
    stations,
    sends,
    strokes: drawStrokes(seed, features, frame),
    intrusions: drawIntrusions(seed, features, frame),
    healUs: frame.healUs,
  };
}
