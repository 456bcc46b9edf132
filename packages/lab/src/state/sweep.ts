import { signal } from "@preact/signals";
import { announce } from "./announcer.js";
import { engine } from "./engine.js";
import { file, shownSides } from "./lab.js";
import { runnable, type SideName } from "./side.js";

/** Seeds of one histogram. */
export const SWEEP_SEEDS = 100;

/** The times of one setting so far. */
export interface SweepTimes {
  readonly side: SideName;
  /** Microseconds; without those that did not arrive. */
  readonly timesUs: readonly number[];
  readonly failed: number;
}

export type SweepStatus =
  | { readonly kind: "idle" }
  | { readonly kind: "running"; readonly share: number }
  | { readonly kind: "failed"; readonly text: string };

export const sweepTimes = signal<readonly SweepTimes[]>([]);
export const sweepStatus = signal<SweepStatus>({ kind: "idle" });

let running: AbortController | undefined;

/** Runs what is shown with a hundred seeds, in the background; the bars grow as it goes. */
export async function startSweep(): Promise<void> {
  running?.abort();
  const controller = new AbortController();
  running = controller;
  const sides = shownSides.value;
  const shares = sides.map(() => 0);
  sweepTimes.value = sides.map(({ name }) => ({ side: name, timesUs: [], failed: 0 }));
  sweepStatus.value = { kind: "running", share: 0 };
  try {
    await Promise.all(
      sides.map((side, index) =>
        engine.sweep(runnable(side.settings.peek(), file.value?.bytes), SWEEP_SEEDS, {
          file: file.value?.bytes,
          signal: controller.signal,
          onProgress: (share) => {
            shares[index] = share;
            const mean = shares.reduce((sum, each) => sum + each, 0) / shares.length;
            if (running === controller) sweepStatus.value = { kind: "running", share: mean };
          },
          onSeed: (timeUs) => {
            if (running === controller) take(index, timeUs);
          },
        }),
      ),
    );
    if (running !== controller) return;
    sweepStatus.value = { kind: "idle" };
    announce(`The histogram over ${SWEEP_SEEDS} seeds is done.`);
  } catch (error) {
    controller.abort();
    if (running !== controller) return;
    sweepStatus.value = {
      kind: "failed",
      text: error instanceof Error ? error.message : String(error),
    };
  }
}

/** Gives it up; what there is so far stays. */
export function stopSweep(): void {
  running?.abort();
  running = undefined;
  sweepStatus.value = { kind: "idle" };
}

/** Other settings: the old bars would tell of something that is not shown any more. */
export function clearSweep(): void {
  stopSweep();
  sweepTimes.value = [];
}

function take(index: number, timeUs: number): void {
  sweepTimes.value = sweepTimes.value.map((times, other) => {
    if (other !== index) return times;
    return Number.isNaN(timeUs)
      ? { ...times, failed: times.failed + 1 }
      : { ...times, timesUs: [...times.timesUs, timeUs] };
  });
}
