import { EXIT, Problem } from "../problem.js";
import {
  decodeHead,
  decodeLine,
  LINE_BYTES_MAX,
  type RecordedDatagram,
  type RecordedLoss,
  type RecordingHead,
} from "./format.js";
import { type Line, linesOf } from "./lines.js";

/** Something that stands in a recording. Its place is a line number, from 1. */
export type RecordingItem =
  | { readonly type: "datagram"; readonly line: number; readonly datagram: RecordedDatagram }
  /** Datagrams are missing here: the disk was too slow. */
  | { readonly type: "dropped"; readonly line: number; readonly loss: RecordedLoss }
  /** A line that cannot be read; the rest goes on. */
  | { readonly type: "damaged"; readonly line: number; readonly why: string }
  /** The last line is not whole: the program that wrote it was stopped. */
  | { readonly type: "cut"; readonly line: number };

/** A recording, whatever the format of its file. */
export interface Recording {
  readonly head: RecordingHead;
  /** What follows the head, in the order of the file. To be asked for once. */
  items(): AsyncIterable<RecordingItem>;
}

/**
 * Reads the head of a recording; the rest is read as it is asked for.
 *
 * @param input - the file, or standard input
 * @param name - what to call it in messages
 * @throws {@link Problem} `not-a-recording`. Lines behind the head never throw.
 */
export async function readRecording(
  input: AsyncIterable<Uint8Array>,
  name: string,
): Promise<Recording> {
  const lines = linesOf(input, LINE_BYTES_MAX);
  const first = await lines.next();
  if (first.done) throw notARecording(name, "it is empty");
  const { text, fault } = first.value;
  if (text === undefined) throw notARecording(name, fault ?? "its first line cannot be read");
  const head = decodeHead(text);
  if (!head.ok) throw notARecording(name, head.why);
  return { head: head.value, items: () => itemsOf(lines) };
}

function notARecording(name: string, why: string): Problem {
  return new Problem(
    EXIT.usage,
    "not-a-recording",
    `${name} is not a recording that can be read: ${why}. Name a file that was written with --record.`,
  );
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
