import { presets } from "@fardel/lossy-link";
import type { Case } from "../scenario/cases.js";
import { TIME_S_MAX } from "../scenario/limits.js";
import { type RunResult, runOnce } from "../simulation/run-once.js";
import type { EstimateQuestion, Figure, FigureName } from "./figures.js";

/** A figure beside what the simulation gave for it. */
export interface CheckedFigure extends Figure {
  /** Mean of the runs; `undefined` for what a simulation does not tell. */
  readonly simulated?: number | undefined;
  /** Estimate ÷ simulation − 1; `undefined` without a simulated value. */
  readonly difference?: number | undefined;
  /** How much of it chance explains: three standard errors of the mean, as a share of it. */
  readonly chance?: number | undefined;
  readonly isWithin?: boolean;
}

/** What a check came to. */
export interface CheckResult {
  readonly figures: readonly CheckedFigure[];
  readonly runs: number;
  /** Runs in which the message did not arrive. */
  readonly failedRuns: number;
  /** Deliveries later than the bound, and how many of them are accepted. */
  readonly lateRuns: number;
  readonly lateRunsMax: number;
  readonly isPartial: boolean;
  readonly isWithin: boolean;
}

/** Share of deliveries that may be later than the bound: one in a hundred by design, and as much for error. */
const LATE_SHARE_MAX = 0.02;

/**
 * Simulates what was estimated, with seeds from 1, and compares.
 * @param tolerance - accepted difference, besides what chance explains
 */
export async function checkFigures(
  question: EstimateQuestion,
  figures: readonly Figure[],
  options: {
    readonly seeds: number;
    readonly tolerance: number;
    readonly signal: AbortSignal;
    readonly onRun?: (runs: number) => void;
  },
): Promise<CheckResult> {
  const { seeds, tolerance, signal, onRun = () => {} } = options;
  const each = transferCase(question);
  const runs: RunResult[] = [];
  for (let seed = 1; seed <= seeds && !signal.aborted; seed++) {
    const run = await runOnce(each, seed, signal);
    if (run === undefined) break;
    runs.push(run);
    onRun(runs.length);
  }
  const samples = samplesOf(runs);
  const checked = figures.map((figure) => compare(figure, samples[figure.name], tolerance));
  const lateUs = figures.find(({ name }) => name === "lateUs")?.value ?? Number.POSITIVE_INFINITY;
  const lateRuns = runs.filter(({ elapsedUs }) => elapsedUs > lateUs).length;
  const failedRuns = runs.filter(({ failureCount }) => failureCount > 0).length;
  const expected = LATE_SHARE_MAX * runs.length;
  const lateRunsMax = Math.ceil(expected + 3 * Math.sqrt(expected * (1 - LATE_SHARE_MAX)));
  return {
    figures: checked,
    runs: runs.length,
    failedRuns,
    lateRuns,
    lateRunsMax,
    isPartial: runs.length < seeds,
    isWithin:
      failedRuns === 0 &&
      lateRuns <= lateRunsMax &&
      checked.every(({ isWithin = true }) => isWithin),
  };
}

/** The question as a combination of a scenario. */
export function transferCase(question: EstimateQuestion): Case {
  const { bytes, preset, mtuBytes, loss, window } = question;
  return {
    number: 1,
    swept: [],
    link: {
      preset,
      mtuBytes,
      loss,
      burst: 1,
      burstUs: 0,
      duplicate: 0,
      reorder: 0,
      corrupt: 0,
      delayUs: presets[preset]().delayUs ?? 0,
      jitterUs: 0,
      outagesUs: [],
    },
    window,
    boards: 1,
    messages: [
      {
        name: "message",
        from: "gateway",
        bytes,
        priority: "bulk",
        way: "ordered",
        channel: undefined,
        atS: 0,
        spreadS: 0,
        everyS: 0,
        count: 1,
        deadlineS: TIME_S_MAX,
      },
    ],
  };
}

/** What the runs gave for each figure that they tell. */
function samplesOf(runs: readonly RunResult[]): Partial<Record<FigureName, readonly number[]>> {
  const arrived = runs.filter(({ failureCount }) => failureCount === 0);
  return {
    datagrams: arrived.map(({ datagrams }) => datagrams),
    airtimeUs: arrived.map(({ airtimeUs }) => airtimeUs),
    timeUs: arrived.map(({ elapsedUs }) => elapsedUs),
  };
}

function compare(
  figure: Figure,
  samples: readonly number[] | undefined,
  tolerance: number,
): CheckedFigure {
  const { value } = figure;
  if (samples === undefined || samples.length === 0 || value === undefined) return figure;
  const simulated = samples.reduce((sum, sample) => sum + sample, 0) / samples.length;
  if (simulated === 0) return { ...figure, simulated };
  const square = samples.reduce((sum, sample) => sum + (sample - simulated) ** 2, 0);
  const deviation = Math.sqrt(square / Math.max(1, samples.length - 1));
  const chance = (3 * deviation) / Math.sqrt(samples.length) / simulated;
  const difference = value / simulated - 1;
  const isWithin = Math.abs(difference) <= tolerance + chance;
  return { ...figure, simulated, difference, chance, isWithin };
}
