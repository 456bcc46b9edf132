import type { Output } from "./context.js";

/** A reader that has gone away takes nothing more. */
const DRAIN_EVENTS = ["drain", "close", "error"] as const;
type DrainEvent = (typeof DRAIN_EVENTS)[number];

/** The part of a stream of the process that is written to. */
export interface WrittenStream {
  write(text: string): unknown;
  readonly isTTY?: boolean;
  readonly columns?: number;
  readonly rows?: number;
  /** Whether what was written waits for a slow reader. */
  readonly writableNeedDrain?: boolean;
  once?(event: DrainEvent, listener: () => void): unknown;
  off?(event: DrainEvent, listener: () => void): unknown;
}

const COLUMNS_DEFAULT = 80;

/** The output of a process. Its size is asked anew each time: terminals are resized. */
export function processOutput(stdout: WrittenStream, stderr: WrittenStream): Output {
  return {
    out: (text) => void stdout.write(text),
    err: (text) => void stderr.write(text),
    isTerminal: stderr.isTTY === true,
    isOutTerminal: stdout.isTTY === true,
    get rows() {
      return stdout.rows || undefined;
    },
    drained: () => drained(stdout),
    get columns() {
      // Some terminals do not know their width, and say 0.
      return stderr.columns || COLUMNS_DEFAULT;
    },
  };
}

function drained(stream: WrittenStream): Promise<void> {
  return new Promise((resolve) => {
    if (!stream.writableNeedDrain) {
      resolve();
      return;
    }
    const end = () => {
      for (const event of DRAIN_EVENTS) stream.off?.(event, end);
      resolve();
    };
    for (const event of DRAIN_EVENTS) stream.once?.(event, end);
  });
}

/**
 * One line of JSON on `out`. Byte arrays become lower-case hexadecimal, bigints decimal text, dates
 * ISO 8601.
 */
export function writeJson(output: Output, value: unknown): void {
  output.out(`${toJson(value)}\n`);
}

/** @see writeJson */
export function toJson(value: unknown): string {
  // A `Buffer` and a `Date` turn themselves into something else first: so the field is asked.
  return JSON.stringify(value, function (this: Record<string, unknown>, key, part: unknown) {
    const original = this[key];
    if (original instanceof Uint8Array) return hex(original);
    return typeof part === "bigint" ? part.toString() : part;
  });
}

export function hex(bytes: Uint8Array): string {
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

/**
 * Text from elsewhere (a peer, a board, a file name) as it may go to a terminal: control characters,
 * those that turn the direction of writing included, become `\u{…}`.
 */
export function printable(text: string): string {
  return text.replace(/[\p{Cc}\p{Cf}\p{Co}\p{Cs}\p{Zl}\p{Zp}]/gu, (character) => {
    const code = character.codePointAt(0) ?? 0;
    return `\\u{${code.toString(16)}}`;
  });
}
