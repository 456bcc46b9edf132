import { type Command, Option } from "commander";
import type { Context } from "../context.js";
import { LINK_FORMS } from "../link-address/link-syntax.js";
import { type OpenLink, openLink } from "../link-address/open-link.js";
import {
  type PairingLink,
  readPairedBoards,
  type StoreOptions,
  withPairedBoards,
} from "../paired/paired-boards.js";
import { usageProblem } from "../problem.js";
import { addObservationOptions, withObservation } from "../recording/observation.js";

/** The option that says over which link; the same for every command that has one. */
export function linkOption(): Option {
  return new Option(
    "-l, --link <link>",
    `the link: ${LINK_FORMS.map((form) => form.split("[?")[0]).join(", ")}; see below`,
  );
}

export function jsonOption(): Option {
  return new Option("--json", "print lines of JSON, the last one being the result");
}

export function storeOption(): Option {
  return new Option(
    "--store <file>",
    "paired boards and their keys (default: peers.json of this account)",
  );
}

/** For the help of commands with a link. */
export const LINK_NOTES: readonly string[] = [
  [
    "Links:",
    "  serial:/dev/ttyUSB0?baud=115200       a bridge on a serial port (fardel ports finds it)",
    "  serial:tcp://192.168.1.9:4000         the same, with its line served over TCP",
    "  udp::7400                             UDP on port 7400 of every network; udp: takes any port",
    "  udp:127.0.0.1:7400?mtu=250            only on this computer; others: broadcast=ADDRESS[:PORT]",
    "  lossy:loss=0.2,seed=3                 a simulated channel in this process, with a board on it;",
    "                                        others: preset, burst, duplicate, corrupt, delay, mtu,",
    "                                        distance, board, boards, spacing, channels, every",
    "  replay:night.pcapng,speed=10          a recording, played ten times as fast as it was; nobody",
    "                                        answers (receive, monitor and trace)",
  ].join("\n"),
];

/** What {@link withLink} adds. */
export interface LinkOptions extends ObservedOptions, StoreOptions {
  readonly link: string;
  readonly json?: boolean;
}

export interface ObservedOptions {
  readonly record?: string;
  readonly trace?: boolean;
}

/** Adds `--link`, `--json`, `--record` and `--trace`. */
export function withLink(command: Command): Command {
  command.addOption(linkOption()).addOption(jsonOption()).addOption(storeOption());
  command.hook("preAction", (_command, action) => {
    // Not a mandatory option of commander: that would hide what else is wrong.
    if (action.opts<{ link?: string }>().link !== undefined) return;
    throw usageProblem(
      "Say over which link: --link LINK, for instance --link lossy:loss=0.2 to try it.",
    );
  });
  return addObservationOptions(command);
}

/**
 * Opens the link, recorded and traced if that is asked for, with the names and keys of paired boards.
 * @param isFindable - whether simulated boards can be found and paired with
 */
export async function openObserved(
  options: LinkOptions,
  context: Context,
  isFindable = false,
): Promise<PairingLink> {
  // First: on an open link things begin to happen.
  const paired = await readPairedBoards(options, context);
  const open = await openLink(options.link, context, { peers: paired.peers, isFindable });
  return withPairedBoards(await observed(open, options.link, options, context), paired, context);
}

export function observed(
  open: OpenLink,
  link: string,
  { record, trace }: ObservedOptions,
  context: Context,
): Promise<OpenLink> {
  const wanted = { ...(record !== undefined && { record }), ...(trace !== undefined && { trace }) };
  return withObservation(open, context, { link, ...wanted });
}
