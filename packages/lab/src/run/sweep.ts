import { makeBlob } from "./blob.js";
import { elapsedUsOf } from "./figures.js";
import { LabError } from "./lab-error.js";
import { LabRun } from "./lab-run.js";
import { blobFor } from "./run-lab.js";
import type { LabSettings } from "./settings.js";

/** Seeds that one sweep may try. */
export const SWEEP_SEEDS_MAX = 10_000;

/** The same settings with many seeds: how long the blobs took with each. */
export interface SweepRecord {
  readonly firstSeed: number;
  /**
   * From the first hand-over to the last delivery, microseconds, in the order of the seeds; `NaN`: not
   * all blobs arrived, or the run was cut.
   */
  readonly timesUs: Float64Array;
  /** How many are `NaN`. */
  readonly failed: number;
}

export interface SweepOptions {
  readonly file?: Uint8Array | undefined;
  readonly shouldStop?: (() => boolean) | undefined;
  /** After each seed; share 0..1 of the seeds, and its own time as in {@link SweepRecord}. */
  readonly onResult?: ((share: number, timeUs: number) => void) | undefined;
}

/**
 * Runs the settings once for each of `count` seeds, from that of the settings on.
 *
 * @throws LabError `bad-settings`, `no-file`, `stopped`
 */
export async function sweepSeeds(
  settings: LabSettings,
  count: number,
  { file, shouldStop, onResult }: SweepOptions = {},
): Promise<SweepRecord> {
  if (!(Number.isInteger(count) && count >= 1 && count <= SWEEP_SEEDS_MAX)) {
    const text = `The number of seeds must be a whole number from 1 to ${SWEEP_SEEDS_MAX}, not ${count}.`;
    throw new LabError("bad-settings", text);
  }
  const timesUs = new Float64Array(count).fill(Number.NaN);
  let failed = 0;
  blobFor(settings, file);
  for (let index = 0; index < count; index++) {
    const each = { ...settings, seed: settings.seed + index };
    const timeUs = await timeOf(each, file, shouldStop);
    timesUs[index] = timeUs;
    if (Number.isNaN(timeUs)) failed++;
    onResult?.((index + 1) / count, timeUs);
  }
  return { firstSeed: settings.seed, timesUs, failed };
}

async function timeOf(
  settings: LabSettings,
  file: Uint8Array | undefined,
  shouldStop: (() => boolean) | undefined,
): Promise<number> {
  // Not checked again: a seed beyond the usual range is a seed like any other.
  const run = new LabRun(settings, makeBlob(settings.load, settings.seed, file));
  const why = await run.toItsEnd({ shouldStop });
  const isWhole = run.errands.every(({ deliveredUs }) => !Number.isNaN(deliveredUs));
  return why === undefined && isWhole ? elapsedUsOf(run) : Number.NaN;
}
