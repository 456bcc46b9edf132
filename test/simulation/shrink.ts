import { type Cut, LISTS } from "./cut.js";
import { drawScenario } from "./draw-scenario.js";
import { FEATURE_NAMES, type Feature } from "./features.js";

/** Runs that making one failure smaller may take. */
const TRIES_MAX = 300;

/**
 * Make a failure smaller: switch features off, then leave out messages, strokes and intrusions, as
 * long as the seed still fails.
 * @param fails - whether the seed fails with this cut
 * @returns the smallest cut that was found with which it fails
 */
export async function shrink(
  seed: number,
  start: Cut,
  fails: (cut: Cut) => Promise<boolean>,
): Promise<Cut> {
  let tries = 0;
  const failsWith = async (cut: Cut) => tries++ < TRIES_MAX && (await fails(cut));
  let cut = await shrinkFeatures(seed, start, failsWith);
  for (const list of LISTS) {
    const all = drawScenario(seed, cut.without)[list];
    const places = cut[list] ?? [...all.keys()];
    const needed = await minimise(places, (some) => failsWith({ ...cut, [list]: some }));
    if (needed.length < places.length) cut = { ...cut, [list]: needed };
  }
  // With fewer messages fewer features are needed.
  return shrinkFeatures(seed, cut, failsWith);
}

/** Everything that is drawn is switched off if the seed fails without it. */
async function shrinkFeatures(
  seed: number,
  start: Cut,
  fails: (cut: Cut) => Promise<boolean>,
): Promise<Cut> {
  const off = new Set<Feature>(start.without);
  // What is not drawn anyhow need not be said.
  const drawn = drawScenario(seed, off).features;
  for (const feature of FEATURE_NAMES) {
    if (!drawn.has(feature)) continue;
    if (await fails({ ...start, without: new Set([...off, feature]) })) off.add(feature);
  }
  return { ...start, without: off };
}

/**
 * Delta debugging: leave out halves, then quarters, and so on down to single entries.
 * @see A. Zeller, R. Hildebrandt, Simplifying and Isolating Failure-Inducing Input, IEEE Transactions
 * on Software Engineering 28(2), 2002 (from memory)
 */
export async function minimise(
  places: readonly number[],
  fails: (some: readonly number[]) => Promise<boolean>,
): Promise<readonly number[]> {
  if (places.length === 0 || (await fails([]))) return [];
  let kept = places;
  for (let size = Math.ceil(kept.length / 2); ; size = Math.ceil(size / 2)) {
    for (let at = 0; at < kept.length; ) {
      const some = [...kept.slice(0, at), ...kept.slice(at + size)];
      if (some.length < kept.length && some.length > 0 && (await fails(some))) kept = some;
      else at += size;
    }
    if (size <= 1) return kept;
  }
}
