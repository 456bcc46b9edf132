import { isCapture } from "@fardel/capture";
import { EXIT, Problem } from "../problem.js";
import { readCaptureFile } from "./capture-file.js";
import {
  decodeHead,
  decodeLine,
  LINE_BYTES_MAX,
  type RecordedDatagram,
  type RecordedLoss,
  type RecordingHead,
} from "./format.js";
import { type Line, linesOf } from "./lines.js";

/** Where in a file something stands: line from 1, or offset in bytes from 0. */
export type Place = { readonly line: number } | { readonly byte: number };

/** Something that stands in a recording. */
export type RecordingItem =
  | { readonly type: "datagram"; readonly line?: number; readonly datagram: RecordedDatagram }
  /** Datagrams are missing here: the disk was too slow. */
  | { readonly type: "dropped"; readonly line?: number; readonly loss: RecordedLoss }
  /** A line or block that cannot be read; the rest goes on. */
  | ({ readonly type: "damaged"; readonly why: string } & Place)
  /** The last line or block is not whole: the program that wrote it was stopped. */
  | ({ readonly type: "cut" } & Place);

/** A recording, whatever the format of its file. */
export interface Recording {
  readonly head: RecordingHead;
  /** What follows the head, in the order of the file. To be asked for once. */
  items(): AsyncIterable<RecordingItem>;
}

/**
 * Reads the head of a recording, of either format: which one it is, its first bytes say. The rest is
 * read as it is asked for.
 *
 * @param input - the file, or standard input
 * @param name - what to call it in messages
 * @throws {@link Problem} `not-a-recording`. Lines behind the head never throw.
 */
export async function readRecording(
  input: AsyncIterable<Uint8Array>,
  name: string,
): Promise<Recording> {
  const { start, all } = await peek(input, CAPTURE_START_BYTES);
  if (isCapture(start)) return readCaptureFile(all, name);
  const lines = linesOf(all, LINE_BYTES_MAX);
  const first = await lines.next();
  if (first.done) throw notARecording(name, "it is empty");
  const { text, fault } = first.value;
  if (text === undefined) throw notARecording(name, fault ?? "its first line cannot be read");
  const head = decodeHead(text);
  if (!head.ok) throw notARecording(name, head.why);
  return { head: head.value, items: () => itemsOf(lines) };
}

export function notARecording(name: string, why: string): Problem {
  return new Problem(
    EXIT.usage,
    "not-a-recording",
    `${name} is not a recording that can be read: ${why}. Name a file that was written with --record.`,
  );
}

const CAPTURE_START_BYTES = 4;

/** The first bytes of a stream, and all of it with them. */
async function peek(input: AsyncIterable<Uint8Array>, bytes: number) {
  const pieces = input[Symbol.asyncIterator]();
  let start: Uint8Array = Buffer.alloc(0);
  while (start.length < bytes) {
    const next = await pieces.next();
    if (next.done) break;
    start = Buffer.concat([start, next.value]);
  }
  async function* all(): AsyncGenerator<Uint8Array, void, undefined> {
    try {
      if (start.length > 0) yield start;
      for (let next = await pieces.next(); !next.done; next = await pieces.next()) yield next.value;
    } finally {
      await pieces.return?.();
    }
  }
  return { start, all: all() };
}

async function* itemsOf(lines: AsyncIterable<Line>): AsyncIterable<RecordingItem> {
  for await (const line of lines) {
    const item = itemOf(line);
    if (item) yield item;
  }
}

function itemOf({ number: line, text, fault, isEnded }: Line): RecordingItem | undefined {
  if (text === undefined) {
    return isEnded ? { type: "damaged", line, why: fault ?? "" } : { type: "cut", line };
  }
  if (text.trim() === "") return undefined;
  const read = decodeLine(text);
  if (!read.ok) return isEnded ? { type: "damaged", line, why: read.why } : { type: "cut", line };
  const { value } = read;
  return "dropped" in value
    ? { type: "dropped", line, loss: value }
    : { type: "datagram", line, datagram: value };
}
