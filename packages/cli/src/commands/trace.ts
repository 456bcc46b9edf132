import { createReadStream } from "node:fs";
import type { Address } from "@fardel/core";
import { formatAddress as formatHardwareAddress } from "@fardel/lossy-link";
import { formatUdpAddress } from "@fardel/udp-link";
import type { Command } from "commander";
import type { Context } from "../context.js";
import { fileProblem } from "../explain-error.js";
import { withHelp } from "../help.js";
import { durationUs, wholeNumber } from "../option-values.js";
import { printable } from "../output.js";
import { EXIT, usageProblem } from "../problem.js";
import { FRAME_NAMES } from "../recording/datagram-words.js";
import { createRecording, finishRecording } from "../recording/observation.js";
import { type Recording, readRecording } from "../recording/reader.js";
import type { RecordingWriter } from "../recording/writer.js";
import { untilAborted } from "../until-aborted.js";
import { jsonOption, LINK_NOTES } from "./common-options.js";
import { createFilter, type FilterOptions, frameSet, instant } from "./trace-filter.js";
import { traceLink } from "./trace-link.js";
import { type ShowOptions, TraceOutput } from "./trace-output.js";
import { addressList } from "./trace-peers.js";

/** Options of `fardel trace`, as commander hands them over. */
export interface TraceOptions extends FilterOptions, ShowOptions {
  readonly link?: string;
  readonly record?: string;
  readonly for?: number;
}

/** Datagrams that are shown between two looks at whether the reader keeps up. */
const SHOWN_AT_ONCE = 64;

/** Adds `fardel trace`: recordings, or a link, one line a datagram. */
export function addTrace(program: Command, context: Context): void {
  const command = program
    .command("trace")
    .description("Show recorded datagrams, or those that arrive on a link, in words.")
    .argument(
      "[recording]",
      "a file that was written with --record, of either format; - for standard input",
    )
    .option("-l, --link <link>", "listen on this link instead; nothing is answered")
    .option(
      "--record <file>",
      "write what passes the filters to a new file, pcapng if it ends so; a recording is not printed then",
    )
    .option("--for <duration>", "with --link: end after this time", durationUs)
    .option("--peer <addresses>", "only datagrams from and to these peers: a,b,…", addressList)
    .option("--from <time>", "only from this time on: 1.5s after the start, or a date", instant)
    .option("--to <time>", "only up to this time", instant)
    .option("--frames <names>", `only with these frames: ${FRAME_NAMES.join(",")}`, frameSet)
    .option("--count <n>", "end after so many were shown", wholeNumber(1, 1e12))
    .option("--summary", "count by peer instead of showing each")
    .addOption(jsonOption())
    .action((recording: string | undefined, options: TraceOptions) =>
      trace(recording, options, context),
    );
  withHelp(command, {
    notes: [
      "The CRC of a short datagram cannot be judged without its session; that of a long one is.",
      "With --link, nothing that arrives is answered: its senders send it again, or give up.",
      ...LINK_NOTES,
    ],
    examples: [
      ["fardel trace night.jsonl --frames data,ack --peer 02:00:00:00:00:0b", "one peer's data"],
      ["fardel trace night.jsonl --summary", "counts, losses and silences of each peer"],
      ["fardel trace --link 'lossy:boards=3,every=1s' --for 5s", "listen to invented readings"],
      ["fardel trace night.jsonl --record night.pcapng", "for the usual open analyser"],
      ["tail -n +1 -f night.jsonl | fardel trace -", "follow a recording while it grows"],
    ],
    exitCodes: { failed: "lines of the recording are damaged, or the new one failed" },
  });
}

async function trace(
  recording: string | undefined,
  options: TraceOptions,
  context: Context,
): Promise<void> {
  const { link } = options;
  if ((recording === undefined) === (link === undefined)) {
    throw usageProblem("Give either a recording or --link.");
  }
  if (link !== undefined) {
    await traceLink(link, options, context);
    return;
  }
  if (options.for !== undefined) throw usageProblem("--for goes with --link.");
  await traceRecording(recording ?? "-", options, context);
}

async function traceRecording(path: string, options: TraceOptions, context: Context) {
  const name = path === "-" ? "Standard input" : path;
  const input = path === "-" ? context.input : bytesOf(path);
  const recording = await readRecording(untilAborted(input, context.signal), name);
  const formatAddress = addressFormat(recording);
  const { startedAt, link, mtuBytes } = recording.head;
  const filter = createFilter(options, startedAt, formatAddress);
  const { record } = options;
  const show = record === undefined ? options : { ...options, isQuiet: true };
  const output = new TraceOutput(context, show, startedAt, filter, formatAddress);
  const copy =
    record === undefined ? undefined : await createRecording(record, recording.head, context);
  if (!options.json) {
    const began = startedAt.toISOString();
    context.output.err(
      `${printable(link)}, datagrams of at most ${mtuBytes} bytes, from ${began}\n`,
    );
  }
  await showAll(recording, output, copy, context.signal);
  output.finish();
  if (copy) await finishRecording(copy, record ?? "", context);
  if (output.hasDamage) context.exitWith(EXIT.failed);
  if (context.signal.aborted) context.exitWith(EXIT.interrupted);
}

async function showAll(
  recording: Recording,
  output: TraceOutput,
  copy: RecordingWriter | undefined,
  signal: AbortSignal,
): Promise<void> {
  let count = 0;
  for await (const item of recording.items()) {
    switch (item.type) {
      case "datagram":
        if (output.add(item.datagram)) await copy?.writeWhole(item.datagram);
        break;
      case "dropped":
        output.addHole(item.loss.atUs, item.loss.dropped);
        copy?.noteHole(item.loss);
        break;
      case "damaged":
        output.addDamage(item, item.why);
        break;
      case "cut":
        // Whoever ended the reading knows that there is more.
        if (!signal.aborted) output.addCut(item);
        break;
    }
    if (output.isComplete) return;
    if (++count % SHOWN_AT_ONCE === 0) await output.drained();
  }
}

async function* bytesOf(path: string): AsyncGenerator<Uint8Array, void, undefined> {
  try {
    yield* createReadStream(path);
  } catch (error) {
    throw fileProblem(path, error);
  }
}

/** As the link that was recorded writes them; addresses that it cannot have, in hexadecimal. */
function addressFormat({ head }: Recording): (address: Address) => string {
  if (!head.link.startsWith("udp:")) return formatHardwareAddress;
  return (address) => {
    const isUdp = address.length === 6 || address.length === 18;
    return isUdp ? formatUdpAddress(address) : formatHardwareAddress(address);
  };
}
