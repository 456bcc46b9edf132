import { recordLink } from "@fardel/capture";
import type { Command } from "commander";
import type { Context } from "../context.js";
import { counted } from "../format.js";
import type { OpenLink } from "../link-address/open-link.js";
import { printable } from "../output.js";
import { EXIT, usageProblem } from "../problem.js";
import { recorded } from "./captured.js";
import { datagramLine } from "./datagram-line.js";
import type { RecordedDatagram, RecordingHead } from "./format.js";
import { type RecordingLimits, RecordingWriter } from "./writer.js";

/** What becomes of the datagrams that pass over a link while a command uses it. */
export interface ObservationOptions {
  /** The text of `--link`, for the head of a recording. */
  readonly link: string;
  /** File to record to: a new one. */
  readonly record?: string;
  /** Print each datagram on `err`. */
  readonly trace?: boolean;
  /** Shows each datagram in a way of its own. */
  readonly show?: (datagram: RecordedDatagram) => void;
}

/** Gives a command that opens a link the options `--record` and `--trace`. */
export function addObservationOptions(command: Command): Command {
  return command
    .option(
      "--record <file>",
      "write every datagram to a new file: pcapng if it ends so, else lines",
    )
    .option("--trace", "print every datagram on stderr, in words");
}

/**
 * The same link, with its datagrams recorded and printed. Closing it finishes the recording and
 * says on `err` what is in it. The link itself if neither is asked for.
 *
 * ```ts
 * const open = await withObservation(await openLink(text, context), context, { link: text, record });
 * ```
 * @throws Problem if the file cannot be made; the link is closed then
 */
export async function withObservation(
  open: OpenLink,
  context: Context,
  options: ObservationOptions,
): Promise<OpenLink> {
  const { record, trace = false, show } = options;
  if (record === undefined && !trace && !show) return open;
  const writer = record === undefined ? undefined : await startRecording(open, context, options);
  const link = recordLink(open.link, context.clock, (passed) => {
    const datagram = recorded(passed);
    if (!datagram) return;
    writer?.write(datagram);
    if (trace) context.output.err(`${datagramLine(datagram, open.formatAddress)}\n`);
    show?.(datagram);
  });
  let closing: Promise<void> | undefined;
  const close = async () => {
    await open.close();
    if (writer) await finishRecording(writer, record ?? "", context);
  };
  return { ...open, link, close: () => (closing ??= close()) };
}

async function startRecording(
  open: OpenLink,
  context: Context,
  { record = "", link }: ObservationOptions,
): Promise<RecordingWriter> {
  try {
    const { mtuBytes, localAddress } = open.link;
    const startedAt = context.today();
    const head = { mtuBytes, startedAt, link, ...(localAddress && { localAddress }) };
    return await createRecording(record, head, context);
  } catch (error) {
    await open.close();
    throw error;
  }
}

/**
 * A new recording, in the format of its suffix, that says on `err` when it has to end early.
 * @throws Problem if the file cannot be made
 */
export async function createRecording(
  path: string,
  head: RecordingHead,
  { output }: Context,
  limits: RecordingLimits = {},
): Promise<RecordingWriter> {
  if (path === "-") {
    throw usageProblem("A recording needs a file of its own: give --record a name other than -.");
  }
  const writer = await RecordingWriter.create(path, head, limits);
  writer.onProblem = ({ message }) => output.err(`fardel: ${printable(message)}\n`);
  return writer;
}

/** Ends a recording, and says on `err` what is in it. */
export async function finishRecording(
  writer: RecordingWriter,
  file: string,
  context: Context,
): Promise<void> {
  await writer.close();
  const { written, dropped, problem } = writer;
  if (problem) context.exitWith(EXIT.failed);
  const missing = dropped === 0 ? "" : `, ${counted(dropped, "datagram")} left out`;
  const why = dropped > 0 && !problem ? ": the disk was too slow" : "";
  context.output.err(
    `Recorded ${counted(written, "datagram")} in ${printable(file)}${missing}${why}.\n`,
  );
}
