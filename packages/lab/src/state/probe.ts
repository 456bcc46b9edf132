import { type FrameFigures, frameFigures, resetFrameMeter } from "./frame-meter.js";
import { endUs, isPlaying, timeUs } from "./playback.js";

/** What a test can ask of the page beside what it sees; also for the console of the browser. */
export interface LabProbe {
  /** Of the last frames while playing. */
  readonly frames: FrameFigures;
  resetFrames(): void;
  readonly clock: { readonly atUs: number; readonly endUs: number; readonly isPlaying: boolean };
}

declare global {
  interface Window {
    fardelLab?: LabProbe;
  }
}

export function publishProbe(): void {
  window.fardelLab = {
    get frames() {
      return frameFigures();
    },
    resetFrames: resetFrameMeter,
    get clock() {
      return { atUs: timeUs.peek(), endUs: endUs.peek(), isPlaying: isPlaying.peek() };
    },
  };
}
