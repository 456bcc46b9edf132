import type { Link } from "@fardel/core";
import { pause, whenAborted } from "../abort.js";
import type { Context } from "../context.js";
import { openLink } from "../link-address/open-link.js";
import { EXIT, Problem } from "../problem.js";
import { withObservation } from "../recording/observation.js";
import type { TraceOptions } from "./trace.js";
import { createFilter } from "./trace-filter.js";
import { TraceOutput } from "./trace-output.js";

/** Shows what arrives on a link until the time is over, enough was shown, or Ctrl-C. */
export async function traceLink(
  text: string,
  options: TraceOptions,
  context: Context,
): Promise<void> {
  const { record } = options;
  const { clock, signal } = context;
  const opened = await openLink(text, context, { isOnlyLookedAt: true });
  const startedAt = context.today();
  const filter = createFilter(options, startedAt, opened.formatAddress);
  const output = new TraceOutput(context, options, startedAt, filter, opened.formatAddress);
  const enough = new AbortController();
  const open = await withObservation(opened, context, {
    link: text,
    ...(record !== undefined && { record }),
    show: (datagram) => {
      output.add(datagram);
      if (output.isComplete) enough.abort();
    },
  });
  try {
    if (!options.json) context.output.err(`Listening: ${open.describe}\n`);
    await openQuietly(open.link, (status) => {
      if (!options.json) context.output.err(`The link is ${status}.\n`);
    });
    const ends = open.ended ? [open.ended] : [];
    const end = AbortSignal.any([signal, enough.signal, ...ends]);
    await (options.for === undefined ? whenAborted(end) : pause(clock, options.for, end));
    output.finish();
    if (signal.aborted) context.exitWith(EXIT.interrupted);
  } finally {
    await open.close();
  }
}

/** Opens a link and answers nothing that arrives. */
async function openQuietly(link: Link, onStatus: (status: "up" | "down") => void): Promise<void> {
  try {
    await link.open({ onDatagram: () => {}, onStatus });
  } catch (cause) {
    const why = cause instanceof Error ? cause.message : String(cause);
    throw new Problem(EXIT.link, "link-failed", `The link could not be opened: ${why}`, { cause });
  }
}
