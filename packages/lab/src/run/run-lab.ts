import type { MediumStatistics } from "@fardel/lossy-link";
import { makeBlob } from "./blob.js";
import { checkSettings, faultOf, LOAD_RANGES } from "./defaults.js";
import { figuresOf } from "./figures.js";
import { LabError } from "./lab-error.js";
import { type Errand, LabRun, RUN_US_MAX, type RunControls, type WhyCut } from "./lab-run.js";
import { outagesUs } from "./medium.js";
import type { RunRecord, TransferRecord } from "./record.js";
import { DATAGRAMS_MAX, RunWatch } from "./run-watch.js";
import type { LabSettings } from "./settings.js";
import { describeStation } from "./stations.js";
import { counted } from "./words.js";

/** Codes of errors that a run can come to, in words. */
const FAILURES: Readonly<Record<string, string>> = {
  "peer-unreachable": "nothing was heard from the other side for 30 s (peer-unreachable)",
  "peer-restarted": "the session was lost (peer-restarted)",
};

export interface RunLabOptions extends RunControls {
  /** What is sent if the load is `file`. */
  readonly file?: Uint8Array | undefined;
  /** Datagrams after which the run is cut, 1..400,000; default 400,000. Some more may come. */
  readonly datagramsMax?: number;
  /** Is told the counts of the medium at the end, for tests. */
  readonly onStatistics?: (statistics: MediumStatistics) => void;
}

/**
 * Runs the settings in virtual time and takes everything down. The same settings (and file) give the
 * same record, byte for byte.
 *
 * A run that reaches the limit of time (an hour) or of what a record holds (400,000 datagrams, 128 MiB
 * of them) is `cut`, and what happened up to there is the record.
 *
 * @throws LabError `bad-settings`, `no-file`, `stopped`
 */
export async function runLab(
  settings: LabSettings,
  options: RunLabOptions = {},
): Promise<RunRecord> {
  const blob = blobFor(settings, options.file);
  const datagramsMax = Math.min(options.datagramsMax ?? DATAGRAMS_MAX, DATAGRAMS_MAX);
  const watch = new RunWatch(settings, blob.length, datagramsMax);
  const run = new LabRun(settings, blob, watch);
  const why = await run.toItsEnd(options);
  const { statistics } = run;
  options.onStatistics?.(statistics);
  return recordOf(settings, blob.length, run, watch, why, statistics);
}

/** The blob of a run whose settings were checked. @throws LabError `bad-settings`, `no-file` */
export function blobFor(settings: LabSettings, file: Uint8Array | undefined): Uint8Array {
  const { load } = settings;
  const bytes = load.source === "file" && file !== undefined ? file.length : load.bytes;
  checkSettings({ ...settings, load: { ...load, bytes } });
  const fault = faultOf(LOAD_RANGES.bytes, bytes);
  if (fault !== undefined) throw new LabError("bad-settings", fault);
  return makeBlob(load, settings.seed, file);
}

function recordOf(
  settings: LabSettings,
  blobBytes: number,
  run: LabRun,
  watch: RunWatch,
  why: WhyCut | undefined,
  statistics: MediumStatistics,
): RunRecord {
  const { datagrams, passages } = watch.datagrams.table();
  const transfers = watch.transfers.map((transfer, index) =>
    transfer.record(passages[transfer.from]!, endOf(run.errands[index]!)),
  );
  const stations = Array.from({ length: settings.boards + 1 }, (_, station) =>
    describeStation(settings, station),
  );
  const outages = outagesUs(settings);
  const endUs = latestOf(datagrams, transfers);
  return {
    settings,
    stations,
    endUs,
    ...ending(run.errands, why, blobBytes, datagrams.count),
    datagrams,
    transfers,
    notes: watch.notes.record(outages, endUs),
    outagesUs: outages,
    figures: figuresOf({ settings, run, watch, blobBytes, datagrams, statistics }),
  };
}

function endOf({ handedOverUs, deliveredUs, endedUs, outcome }: Errand) {
  return { handedOverUs, deliveredUs, endedUs, outcome };
}

function latestOf(
  { count, leftUs, arrivedUs }: RunRecord["datagrams"],
  transfers: readonly TransferRecord[],
): number {
  let latestUs = 0;
  for (let row = 0; row < count; row++) {
    latestUs = Math.max(latestUs, leftUs[row]!);
    if (arrivedUs[row]! > latestUs) latestUs = arrivedUs[row]!;
  }
  for (const { endedUs } of transfers) if (endedUs > latestUs) latestUs = endedUs;
  return latestUs;
}

function ending(
  errands: readonly Errand[],
  why: WhyCut | undefined,
  blobBytes: number,
  datagrams: number,
): Pick<RunRecord, "outcome" | "ending"> {
  const all = errands.length;
  const done = errands.filter(({ outcome }) => outcome === "delivered").length;
  const share = all === 1 ? "" : `${done} of ${counted(all, "blob")} had arrived by then. `;
  if (why === "time") {
    const text = `The run was cut after ${RUN_US_MAX / 60e6} minutes on air. ${share}Try less loss, a smaller blob, or fewer commands.`;
    return { outcome: "cut", ending: text };
  }
  if (why === "full") {
    const text = `The run was cut after ${counted(datagrams, "datagram")}: more cannot be shown. ${share}Try a smaller blob, fewer boards, or fewer commands.`;
    return { outcome: "cut", ending: text };
  }
  if (done < all) {
    const codes = new Set(errands.map(({ outcome }) => FAILURES[outcome] ?? outcome));
    codes.delete("delivered");
    const which = all === 1 ? "The blob" : `${all - done} of ${counted(all, "blob")}`;
    return { outcome: "failed", ending: `${which} did not arrive: ${[...codes].join("; ")}.` };
  }
  const what = blobBytes === 0 ? "empty blob" : "blob";
  const text =
    all === 1 ? `The ${what} has arrived, whole.` : `All ${all} ${what}s have arrived, whole.`;
  return { outcome: "done", ending: text };
}
