import { Writable } from "node:stream";
import { SingleBar } from "cli-progress";
import type { Output } from "./context.js";

/** A bar on the terminal while something is under way; nothing where nobody looks. */
export interface ProgressBar {
  /** @param text - what stands behind the bar; default: nothing */
  update(done: number, text?: string): void;
  /** Takes the bar away. May be called twice. */
  stop(): void;
}

const NO_BAR: ProgressBar = { update: () => {}, stop: () => {} };

/** Columns that percentage and time take beside bar and text. */
const AROUND_COLUMNS = 14;
const BAR_COLUMNS_MAX = 30;

/**
 * @param total - what `update` counts up to
 * @param textColumns - columns to leave for the text behind the bar
 */
export function startProgress(output: Output, total: number, textColumns = 30): ProgressBar {
  if (!output.isTerminal) return NO_BAR;
  const columns = output.columns - textColumns - AROUND_COLUMNS;
  const bar = new SingleBar({
    stream: terminalStream(output),
    format: "[{bar}] {percentage} % {text}",
    barsize: Math.max(5, Math.min(BAR_COLUMNS_MAX, columns)),
    clearOnComplete: true,
    // Nothing is changed at the terminal that a second Ctrl-C would leave changed.
    hideCursor: false,
    linewrap: true,
    gracefulExit: false,
    emptyOnZero: true,
  });
  bar.start(total, 0, { text: "" });
  return {
    update: (done, text = "") => bar.update(Math.min(done, total), { text }),
    stop: () => bar.stop(),
  };
}

/** `output.err` as the stream of a terminal. */
function terminalStream(output: Output): Writable {
  const stream = new Writable({
    decodeStrings: false,
    write: (text: unknown, _encoding, done) => {
      output.err(String(text));
      done();
    },
  });
  return Object.assign(stream, { isTTY: true, columns: output.columns });
}
