import type { Airtime } from "@fardel/lossy-link";
import { Dice, SECOND } from "./dice.js";
import type { Feature } from "./features.js";

/** What everything else hangs on. */
export interface Frame {
  readonly mtuBytes: number;
  readonly count: number;
  readonly healUs: number;
  readonly airtime: Airtime;
  readonly fragmentsMax: number;
  readonly hasMegabytes: boolean;
}

/** Fragments of all messages of a run together: most runs are short, so that there can be many. */
const FRAGMENTS_MAX = [30, 60, 60, 60, 150, 150, 150, 400, 400, 400, 1200, 3000];
/** Fragments are large enough for messages of megabytes. */
const MEGABYTES_MTU_MIN = 1000;
export const MEGABYTE = 1_000_000;

const AIRTIMES: readonly Airtime[] = [
  { fixedUs: 552, perByteUs: 8, overheadBytes: 43 },
  { fixedUs: 380, perByteUs: 8, overheadBytes: 17 },
  { fixedUs: 1632, perByteUs: 32, overheadBytes: 25 },
  { fixedUs: 20_000, perByteUs: 160, overheadBytes: 10 },
  { fixedUs: 0, perByteUs: 0, overheadBytes: 0 },
  { fixedUs: 1, perByteUs: 1, overheadBytes: 0 },
];

export function drawFrame(seed: number, features: ReadonlySet<Feature>): Frame {
  const dice = new Dice(seed, "frame");
  const mtuBytes = dice.chance(0.5)
    ? dice.pick([20, 21, 24, 32, 47, 48, 64, 102, 250, 250, 250, 1500])
    : dice.integer(20, 1500);
  const isCrowd = features.has("crowd");
  const count = isCrowd ? (dice.chance(0.1) ? dice.integer(7, 50) : dice.integer(3, 6)) : 2;
  const healUs =
    dice.scaled(SECOND / 2, 120 * SECOND) + (features.has("pausedReaders") ? 60 * SECOND : 0);
  const airtime = dice.pick(AIRTIMES);
  const fragmentsMax = dice.pick(FRAGMENTS_MAX);
  const isLarge = mtuBytes >= MEGABYTES_MTU_MIN && dice.chance(0.3);
  const hasMegabytes = features.has("megabytes") && isLarge;
  return {
    mtuBytes,
    count,
    healUs,
    airtime,
    hasMegabytes,
    fragmentsMax: hasMegabytes ? Math.max(...FRAGMENTS_MAX) : fragmentsMax,
  };
}
