import { type Propagation, pathLossDb, type Random } from "@fardel/lossy-link";
import type { Found } from "./found-table.js";
import { median } from "./found-table.js";
import { chooseNearest, type NearnessOptions } from "./nearness.js";

/**
 * Where the other boards are, metres from the gateway; invented.
 *
 * - `plot`: anywhere within 20 m, but not within 2 m: uniform over the area.
 * - `crowded`: from 2 to 30 m, as many between 2 and 4 as between 4 and 8: uniform over the logarithm.
 * - `shelf`: all of them 2 m away, the worst there is.
 */
export type Layout = "plot" | "crowded" | "shelf";

/**
 * The board in hand, 0.2 to 1 m away.
 *
 * - `like-the-others`: the law of the lossy link, which starts at 1 m, and as much shadowing as for all others.
 * - `in-sight`: free space from 0.2 m on, and 3 dB of shadowing (invented), as nothing stands between.
 * - `close`: likewise, but 0.2 m away, as somebody does who is told to hold it closer.
 * - `silent`: it is not heard at all.
 */
export type BoardInHand = "like-the-others" | "in-sight" | "close" | "silent";

/** One situation, of which many cases are drawn. */
export interface NearnessStudy extends NearnessOptions {
  readonly propagation: Propagation;
  readonly layout: Layout;
  readonly inHand: BoardInHand;
  /** Others, at least and at most. */
  readonly othersMin: number;
  readonly othersMax: number;
}

/** What became of the cases. */
export interface NearnessTally {
  readonly runs: number;
  readonly right: number;
  readonly wrong: number;
}

const CLEAR_SHADOWING_DB = 3;
const HAND_M = { min: 0.2, max: 1 } as const;
const OTHERS_M = { min: 2, plot: 20, crowded: 30 } as const;
/** Announcements heard of each board: enough for the median, up to all that are kept. */
const SAMPLES = { min: 5, max: 15 } as const;
const HAND = 0;

/** Draws cases: how strong each board is heard, and whom {@link chooseNearest} takes. */
export function studyNearness(study: NearnessStudy, runs: number, random: Random): NearnessTally {
  let right = 0;
  let wrong = 0;
  for (let run = 0; run < runs; run++) {
    const nearest = chooseNearest(drawBoards(study, random), study);
    if (!("chosen" in nearest)) continue;
    if (nearest.chosen.address[0] === HAND) right++;
    else wrong++;
  }
  return { runs, right, wrong };
}

function drawBoards(study: NearnessStudy, random: Random): Found[] {
  const { propagation, layout, inHand, othersMin, othersMax } = study;
  const others = random.integer(othersMin, othersMax);
  const boards = Array.from({ length: others }, (_, at) => {
    const distanceM = drawDistance(layout, random);
    const meanDbm = propagation.txPowerDbm - pathLossDb(distanceM, propagation);
    return board(at + 1, meanDbm + propagation.shadowingDb * random.normal(), propagation, random);
  });
  if (inHand !== "silent") boards.push(board(HAND, drawInHand(study, random), propagation, random));
  return boards;
}

function drawInHand({ propagation, inHand }: NearnessStudy, random: Random): number {
  const { txPowerDbm, lossAtOneMetreDb, shadowingDb } = propagation;
  const fartherM = inHand === "close" ? 0 : (HAND_M.max - HAND_M.min) * random.uniform();
  const distanceM = HAND_M.min + fartherM;
  if (inHand === "like-the-others")
    return txPowerDbm - pathLossDb(distanceM, propagation) + shadowingDb * random.normal();
  const lossDb = lossAtOneMetreDb + 20 * Math.log10(distanceM);
  return txPowerDbm - lossDb + CLEAR_SHADOWING_DB * random.normal();
}

function drawDistance(layout: Layout, random: Random): number {
  const { min, plot, crowded } = OTHERS_M;
  if (layout === "shelf") return min;
  if (layout === "crowded") return min * (crowded / min) ** random.uniform();
  return Math.sqrt(min * min + (plot * plot - min * min) * random.uniform());
}

function board(number: number, meanDbm: number, { fadingDb }: Propagation, random: Random): Found {
  const rssiSamplesDbm = Array.from({ length: random.integer(SAMPLES.min, SAMPLES.max) }, () =>
    // Radios report whole decibels.
    Math.round(meanDbm + fadingDb * random.normal()),
  );
  const rssiDbm = median(rssiSamplesDbm);
  return {
    address: Uint8Array.of(number),
    name: "",
    kind: "",
    announcement: NOTHING_TOLD,
    rssiSamplesDbm,
    ...(rssiDbm !== undefined && { rssiDbm }),
    heardUs: 0,
  };
}

const NOTHING_TOLD: Found["announcement"] = {
  version: 1,
  isInPairingMode: true,
  takesPlainSessions: true,
  takesProtectedSessions: true,
  ways: [],
  mtuBytes: 250,
  window: 8,
  messageBytesMax: 0,
  kind: "",
  name: "",
};

/**
 * The highest probability that is not refuted by so many hits: one-sided, 95 %, by the score interval (E. B. Wilson,
 * "Probable inference, the law of succession, and statistical inference", 1927; from memory).
 */
export function upperBound(hits: number, trials: number): number {
  const z = 1.645;
  const share = hits / trials;
  const centre = share + (z * z) / (2 * trials);
  const half = z * Math.sqrt((share * (1 - share)) / trials + (z * z) / (4 * trials * trials));
  return (centre + half) / (1 + (z * z) / trials);
}
