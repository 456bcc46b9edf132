import { FEATURE_NAMES, type Feature } from "./features.js";
import { drawScenario } from "./scenario.js";
import type { Worker } from "./workers.js";

/**
 * Switch features off one by one as long as the seed still fails.
 * @returns those that are needed to make it fail
 */
export async function shrink(
  seed: number,
  worker: Worker,
  without: readonly Feature[],
): Promise<Feature[]> {
  const off = new Set(without);
  const drawn = drawScenario(seed, off).features;
  const needed: Feature[] = [];
  for (const feature of FEATURE_NAMES) {
    if (!drawn.has(feature)) continue;
    off.add(feature);
    const outcome = await worker.run({ seed, without: [...off] });
    if (!outcome.ok) continue;
    off.delete(feature);
    needed.push(feature);
  }
  return needed;
}

/** Everything that a seed draws and that is not needed, as the command line takes it. */
export function withoutOption(seed: number, needed: readonly Feature[]): string {
  const unneeded = [...drawScenario(seed).features].filter((feature) => !needed.includes(feature));
  return unneeded.length > 0 ? ` --without ${unneeded.join(",")}` : "";
}
