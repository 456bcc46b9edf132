import { useCallback } from "preact/hooks";
import { drawOverview } from "../picture/overview.js";
import type { Size } from "../picture/surface.js";
import { frameFigures, isMeterShown } from "../state/frame-meter.js";
import { shownRecords } from "../state/lab.js";
import {
  calmTimeUs,
  endUs,
  isPlaying,
  jump,
  pause,
  SPEEDS,
  type SpeedKey,
  seek,
  speedKey,
  stepDatagram,
  timeUs,
  togglePlay,
} from "../state/playback.js";
import { palette } from "../state/theme.js";
import { progressSentence } from "../words/progress.js";
import { spokenTime, timeText } from "../words/quantities.js";
import { Canvas } from "./Canvas.js";
import { Icon } from "./Icon.js";

/** Play, pause, step, and the line of time with a handle on it. Always at hand at the lower edge. */
export function Transport() {
  const isEmpty = endUs.value === 0;
  return (
    <section class="transport" aria-label="Time">
      <div class="transport-buttons">
        <button type="button" onClick={() => seek(0)} disabled={isEmpty} aria-label="To the start">
          <Icon name="start" />
        </button>
        <button
          type="button"
          onClick={() => stepDatagram(-1)}
          disabled={isEmpty}
          aria-label="Back one datagram"
        >
          <Icon name="back" />
        </button>
        <button type="button" class="primary play" onClick={togglePlay} disabled={isEmpty}>
          <Icon name={isPlaying.value ? "pause" : "play"} />
          {isPlaying.value ? "Pause" : "Play"}
        </button>
        <button
          type="button"
          onClick={() => stepDatagram(1)}
          disabled={isEmpty}
          aria-label="Forward one datagram"
        >
          <Icon name="forward" />
        </button>
        <button
          type="button"
          onClick={() => seek(endUs.value)}
          disabled={isEmpty}
          aria-label="To the end"
        >
          <Icon name="end" />
        </button>
        <SpeedChoice />
        <ClockText />
        {isMeterShown.value && <FrameMeter />}
      </div>
      <Scrubber />
    </section>
  );
}

function SpeedChoice() {
  return (
    <label class="inline">
      <span>Speed</span>
      <select
        value={speedKey.value}
        onChange={(event) => {
          speedKey.value = event.currentTarget.value as SpeedKey;
        }}
      >
        {SPEEDS.map(({ key, words }) => (
          <option key={key} value={key}>
            {words}
          </option>
        ))}
      </select>
    </label>
  );
}

function ClockText() {
  return (
    <span class="clock" aria-hidden="true">
      <b>{timeText(timeUs.value)}</b> of {timeText(endUs.value)}
    </span>
  );
}

function FrameMeter() {
  // Read anew a few times a second while the clock runs.
  void calmTimeUs.value;
  const { perSecond, drawingMs } = frameFigures();
  return (
    <span class="meter">
      {Math.round(perSecond)} frames/s, {drawingMs.median.toFixed(1)} ms each
    </span>
  );
}

const OVERVIEW_PX = 26;

/** The handle: a native slider above a small picture of the whole run. */
function Scrubber() {
  const draw = useCallback((context: CanvasRenderingContext2D, size: Size) => {
    drawOverview(
      context,
      size,
      shownRecords.value.map(({ record }) => record),
      endUs.value,
      palette.value,
    );
  }, []);
  return (
    <div class="scrubber">
      <Canvas className="overview" height={OVERVIEW_PX} draw={draw} />
      <ScrubberHandle />
    </div>
  );
}

function ScrubberHandle() {
  return (
    <input
      type="range"
      aria-label="Time in the run"
      min={0}
      max={Math.max(endUs.value, 1)}
      step="any"
      value={timeUs.value}
      disabled={endUs.value === 0}
      aria-valuetext={`${spokenTime(calmTimeUs.value)} of ${spokenTime(endUs.value)}. ${progressSentence(calmTimeUs.value)}`}
      onInput={(event) => {
        pause();
        seek(event.currentTarget.valueAsNumber);
      }}
      onKeyDown={onScrubberKey}
    />
  );
}

/** The keys of a slider, but an arrow is a datagram and a page a twentieth of the run. */
function onScrubberKey(event: KeyboardEvent): void {
  const move = {
    ArrowLeft: () => stepDatagram(-1),
    ArrowDown: () => stepDatagram(-1),
    ArrowRight: () => stepDatagram(1),
    ArrowUp: () => stepDatagram(1),
    PageDown: () => jump(0.05),
    PageUp: () => jump(-0.05),
    Home: () => seek(0),
    End: () => seek(endUs.value),
  }[event.key];
  if (move === undefined) return;
  event.preventDefault();
  event.stopPropagation();
  move();
}
