import type { Command } from "commander";
import type { Context } from "../context.js";
import { counted } from "../format.js";
import type { OpenLink } from "../link-address/open-link.js";
import { ObservedLink } from "../observed-link.js";
import { printable } from "../output.js";
import { EXIT, usageProblem } from "../problem.js";
import { datagramLine } from "./datagram-line.js";
import type { RecordedDatagram } from "./format.js";
import { RecordingWriter } from "./writer.js";

/** What becomes of the datagrams that pass over a link while a command uses it. */
export interface ObservationOptions {
  /** The text of `--link`, for the head of a recording. */
  readonly link: string;
  /** File to record to: a new one. */
  readonly record?: string;
  /** Print each datagram on `err`. */
  readonly trace?: boolean;
  /** Shows each datagram in a way of its own. Gets views, which are valid during the call only. */
  readonly show?: (datagram: RecordedDatagram) => void;
}

/** Gives a command that opens a link the options `--record` and `--trace`. */
export function addObservationOptions(command: Command): Command {
  return command
    .option("--record <file>", "write every datagram to a new file, for fardel trace")
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
  const link = new ObservedLink(open.link);
  watchDatagrams(link, context, (datagram) => {
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

/** Tells of each datagram with its time since now. */
function watchDatagrams(
  link: ObservedLink,
  { clock }: Context,
  tell: (datagram: RecordedDatagram) => void,
): void {
  const startUs = clock.nowUs();
  link.observe({
    onSent: (peer, bytes, outcome) =>
      tell({ atUs: clock.nowUs() - startUs, direction: "sent", peer, bytes, outcome }),
    onReceived: (peer, bytes, { rssiDbm, radioChannel }) =>
      tell({
        atUs: clock.nowUs() - startUs,
        direction: "received",
        peer,
        bytes,
        ...(rssiDbm !== undefined && { rssiDbm }),
        ...(radioChannel !== undefined && { radioChannel }),
      }),
  });
}

async function startRecording(
  open: OpenLink,
  context: Context,
  { record = "", link }: ObservationOptions,
): Promise<RecordingWriter> {
  try {
    if (record === "-") {
      throw usageProblem("A recording needs a file of its own: give --record a name other than -.");
    }
    const { mtuBytes } = open.link;
    const writer = await RecordingWriter.create(record, {
      mtuBytes,
      startedAt: context.today(),
      link,
    });
    writer.onProblem = ({ message }) => context.output.err(`fardel: ${printable(message)}\n`);
    return writer;
  } catch (error) {
    await open.close();
    throw error;
  }
}

async function finishRecording(
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
