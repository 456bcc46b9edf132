import { useComputed } from "@preact/signals";
import { histogramOption } from "../../charts/histogram.js";
import { quantile } from "../../run/histogram.js";
import { shownRecords } from "../../state/lab.js";
import {
  SWEEP_SEEDS,
  type SweepTimes,
  startSweep,
  stopSweep,
  sweepStatus,
  sweepTimes,
} from "../../state/sweep.js";
import { isNarrowPage, palette } from "../../state/theme.js";
import { counted, timeText } from "../../words/quantities.js";
import { Hint } from "../Hint.js";
import { Chart } from "./Chart.js";

/** One run is one throw of the dice: how long a hundred of them take. */
export function HistogramPanel() {
  const status = sweepStatus.value;
  const isRecording = shownRecords.value.some(({ record }) => record.settings === undefined);
  if (isRecording)
    return <p class="soft">A recording has no seed, so there is nothing to repeat.</p>;
  const hasTimes = sweepTimes.value.some(({ timesUs, failed }) => timesUs.length + failed > 0);
  return (
    <>
      <p>
        One run is one throw of the dice. The same settings with {SWEEP_SEEDS} seeds{" "}
        <Hint term="seed" /> show how far apart the throws lie.
      </p>
      <p class="sweep-buttons">
        {status.kind === "running" ? (
          <>
            <button type="button" onClick={stopSweep}>
              Stop the seeds
            </button>
            <progress max={1} value={status.share} aria-label="Progress of the seeds" />
          </>
        ) : (
          <button type="button" onClick={() => void startSweep()}>
            Run {SWEEP_SEEDS} seeds
          </button>
        )}
      </p>
      {status.kind === "failed" && <p role="alert">{status.text}</p>}
      {hasTimes && <Bars />}
    </>
  );
}

function Bars() {
  const option = useComputed(() =>
    histogramOption(
      sweepTimes.value.map(({ side, timesUs }) => ({ name: `Setting ${side}`, timesUs })),
      palette.value,
      isNarrowPage.value,
    ),
  );
  const sentences = sweepTimes.value.map((times) =>
    sweepSentence(times, sweepTimes.value.length > 1),
  );
  return (
    <>
      <Chart
        label={`Histogram of delivery times. ${sentences.join(" ")}`}
        option={option}
        height={220}
      />
      {sentences.map((sentence) => (
        <p key={sentence} class="soft">
          {sentence}
        </p>
      ))}
    </>
  );
}

function sweepSentence({ side, timesUs, failed }: SweepTimes, isOneOfTwo: boolean): string {
  const who = isOneOfTwo ? `Setting ${side}: ` : "";
  if (timesUs.length === 0) return `${who}no run delivered everything.`;
  const sorted = [...timesUs].sort((a, b) => a - b);
  const at = (share: number): string => timeText(quantile(sorted, share));
  const lost = failed === 0 ? "" : ` In ${counted(failed, "run")} not all of it arrived.`;
  return `${who}${counted(sorted.length, "run")}: half of them within ${at(0.5)}, nine of ten within ${at(0.9)}, the slowest in ${at(1)}.${lost}`;
}
