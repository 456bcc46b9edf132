import type { Impairments } from "@fardel/lossy-link";
import { mean, percentile, type Row } from "../benchmark.js";
import { burstsOf, censusOf, SPACING_US, shareOfLengths } from "./burst-channel.js";
import { comparisonRow, eachSeed } from "./comparison.js";
import {
  attemptsPercentile,
  badShare,
  burstChannel,
  burstShare,
  type GilbertElliott,
  meanLoss,
  roundsOfSelectiveRepeat,
} from "./formulas.js";
import {
  attemptsOf,
  attemptsOfFirstContact,
  referenceBytesPerUs,
  transferOf,
} from "./transfers.js";

const DATAGRAMS_PER_SEED = 10_000;

/** All lost while bad and none while good, so that who sees the losses sees the state. */
const CHANNELS: readonly GilbertElliott[] = [
  { goodToBad: 0.02, badToGood: 0.25, lossGood: 0, lossBad: 1 },
  { goodToBad: 0.05, badToGood: 0.2, lossGood: 0, lossBad: 1 },
];
/** Some pass while bad: Elliott's addition to Gilbert's channel. */
const LEAKY: GilbertElliott = { goodToBad: 0.05, badToGood: 0.2, lossGood: 0.02, lossBad: 0.6 };
/** Ranges of burst lengths, datagrams. */
const LENGTHS = [
  [1, 1],
  [2, 2],
  [3, 4],
  [5, 8],
  [9, 16],
  [17, 10_000],
] as const;

export async function* burstRows(seeds: number): AsyncIterable<Row> {
  const datagrams = seeds * DATAGRAMS_PER_SEED;
  const shared = { part: "bursts", source: "GE", runs: 1 };
  for (const channel of CHANNELS) {
    const { badToGood } = channel;
    const census = await censusOf(datagrams, { burst: channel }, 1);
    const { meanLength } = burstsOf(census);
    const row = { ...shared, note: nameOf(channel), burst: 1 / badToGood };
    const bad = badShare(channel);
    const lostShare = census.lost / datagrams;
    yield comparisonRow({
      ...row,
      what: "share of datagrams in bad",
      measured: lostShare,
      formula: bad,
    });
    yield comparisonRow({
      ...row,
      what: "mean burst",
      measured: meanLength,
      formula: 1 / badToGood,
    });
    for (const [least, most] of LENGTHS) {
      yield comparisonRow({
        ...row,
        what: `share of bursts of ${nameOfRange(least, most)}`,
        measured: shareOfLengths(census, least, most),
        formula: sumOf(least, most, (length) => burstShare(badToGood, length)),
      });
    }
  }
  const leaky = await censusOf(datagrams, { burst: LEAKY }, 1);
  yield comparisonRow({
    ...shared,
    what: "mean loss",
    note: `${nameOf(LEAKY)}, loses 0.02 and 0.6`,
    burst: 1 / LEAKY.badToGood,
    measured: leaky.lost / datagrams,
    formula: meanLoss(LEAKY),
  });
  const timed = { goodUsMean: 40 * SPACING_US, badUsMean: 10 * SPACING_US };
  const byTime = await censusOf(datagrams, { burst: timed }, 1);
  yield comparisonRow({
    ...shared,
    what: "share of time in bad",
    note: "stays of 40 and 10 ms, a datagram each ms",
    measured: byTime.lost / datagrams,
    formula: timed.badUsMean / (timed.goodUsMean + timed.badUsMean),
  });
}

function nameOf({ goodToBad, badToGood }: GilbertElliott): string {
  return `g ${goodToBad}, b ${badToGood}`;
}

function nameOfRange(least: number, most: number): string {
  if (least === most) return String(least);
  return most >= 10_000 ? `${least} or more` : `${least} to ${most}`;
}

function sumOf(from: number, to: number, term: (n: number) => number): number {
  let sum = 0;
  for (let n = from; n <= to; n++) sum += term(n);
  return sum;
}

const MESSAGE_BYTES = 131_072;
/** Runs are long: one for each 5 that a statistic would have. */
const EFFICIENCY_SHARE = 5;
/** Time of a full datagram on the reference channel, which bursts by time are measured in. */
const DATAGRAM_US = 2896;

/** How losses come, at the same mean loss. */
interface Pattern {
  readonly what: string;
  readonly note: string;
  readonly burst: number;
  readonly impairments: Impairments;
}

function patternsOf(loss: number): Pattern[] {
  const bursts = [4, 5, 20];
  const independent: Pattern = {
    what: "independent",
    note: "headers, acks, one contact",
    burst: 1 / (1 - loss),
    impairments: { loss },
  };
  const byTime = bursts.map((burst): Pattern => {
    const badUsMean = burst * DATAGRAM_US;
    const goodUsMean = Math.round((badUsMean * (1 - loss)) / loss);
    return {
      what: "bursts by time",
      note: "questions lost in the burst",
      burst,
      impairments: { burst: { badUsMean, goodUsMean } },
    };
  });
  const byDatagrams = bursts.map(
    (burst): Pattern => ({
      what: "bursts by datagrams",
      note: "only sending ends a burst",
      burst,
      impairments: { burst: burstChannel(loss, burst) },
    }),
  );
  return [independent, ...byTime, ...byDatagrams];
}

/**
 * Bytes delivered ÷ time of all runs, those that failed included: the mean of single efficiencies would
 * favour lucky runs.
 */
export async function* efficiencyRows(seeds: number): AsyncIterable<Row> {
  const runs = Math.ceil(seeds / EFFICIENCY_SHARE);
  for (const window of [64, 8]) {
    for (const loss of [0.1, 0.2]) {
      for (const { what, note, burst, impairments } of patternsOf(loss)) {
        const transfers = await eachSeed(runs, (seed) =>
          transferOf(MESSAGE_BYTES, window, impairments, seed),
        );
        const failed = transfers.filter(({ isDelivered }) => !isDelivered).length;
        const bytes = (runs - failed) * MESSAGE_BYTES;
        const us = transfers.reduce((sum, transfer) => sum + transfer.us, 0);
        yield comparisonRow({
          part: "burst efficiency",
          what,
          note,
          source: "E",
          window,
          loss,
          burst,
          runs,
          measured: bytes / us / referenceBytesPerUs(),
          formula: 1 - loss,
          failed,
        });
      }
    }
  }
}

export async function* roundRows(seeds: number): AsyncIterable<Row> {
  for (const fragments of [16, 64]) {
    for (const loss of [0.1, 0.4]) {
      const attempts = await eachSeed(seeds, (seed) => attemptsOf(fragments, loss, seed));
      const row = { part: "rounds", loss, source: "computed", runs: seeds };
      yield comparisonRow({
        ...row,
        what: `sends of the worst of ${fragments} fragments`,
        note: "until delivered",
        measured: mean(attempts.map(({ worst }) => worst)),
        formula: roundsOfSelectiveRepeat(fragments, loss),
      });
      yield comparisonRow({
        ...row,
        what: `sends per fragment of ${fragments}`,
        note: "also those for nothing",
        measured: mean(attempts.map(({ all }) => all)) / fragments,
        formula: 1 / (1 - loss),
      });
    }
  }
}

/** A percentile needs many. */
const CONTACTS_PER_SEED = 20;

export async function* contactRows(seeds: number): AsyncIterable<Row> {
  const runs = seeds * CONTACTS_PER_SEED;
  for (const loss of [0.05, 0.2, 0.3, 0.4]) {
    const attempts = await eachSeed(runs, (seed) => attemptsOfFirstContact(loss, seed));
    const row = {
      part: "first contact",
      note: "some later ones have no data",
      source: "computed",
      loss,
      runs,
    };
    yield comparisonRow({
      ...row,
      what: "mean",
      measured: mean(attempts),
      formula: 1 / (1 - loss),
    });
    for (const share of [0.99, 0.999]) {
      yield comparisonRow({
        ...row,
        what: `${share * 100}th percentile`,
        measured: percentile(attempts, share),
        formula: attemptsPercentile(loss, share),
      });
    }
  }
}
