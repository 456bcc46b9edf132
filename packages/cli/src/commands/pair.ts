import { PAIRING_MTU_MIN, type PairingWay } from "@fardel/pairing";
import { type Command, Option } from "commander";
import type { Context } from "../context.js";
import { withHelp } from "../help.js";
import { refuseReplay } from "../link-address/replay.js";
import { durationUs } from "../option-values.js";
import type { PairingLink } from "../paired/paired-boards.js";
import { EXIT, Problem, usageProblem } from "../problem.js";
import { LINK_NOTES, type LinkOptions, openObserved, withLink } from "./common-options.js";
import { checkBroadcast } from "./discover.js";
import { PairGuide } from "./pair-guide.js";
import { PairRun, type PairSettings } from "./pair-run.js";

interface Options extends LinkOptions {
  readonly way?: PairingWay;
  readonly code?: string;
  readonly as?: string;
  readonly kind?: string;
  /** Microseconds. */
  readonly timeout?: number;
  readonly yes?: boolean;
}

const TIMEOUT_US = 60_000_000;

/** Adds `fardel pair`: a key with one board, step by step. */
export function addPair(program: Command, context: Context): void {
  const command = program
    .command("pair")
    .description("Pair with a board, step by step: from then on only protected datagrams pass.")
    .argument("[board]", "its name or address (default: the one that is nearest, in pairing mode)");
  withLink(command)
    .addOption(
      new Option("--way <way>", "how to make sure of the board (default: as it takes)").choices([
        "code",
        "compare",
        "cable",
        "renew",
      ]),
    )
    .option("--code <code>", "the claim code; - reads it from the input")
    .option("--as <name>", "how to call the board (default: as it calls itself)")
    .option("--kind <kind>", "only boards of this kind, such as row-station")
    .option("--timeout <time>", "look for the board so long (default: 60s)", durationUs)
    .option("--yes", "the link is a cable: do not ask (only for --way cable)")
    .action((board: string | undefined, options: Options) => runPair(board, options, context));
  withHelp(command, {
    notes: [
      [
        "Ways:",
        "  code      the claim code that is printed on the board; asked for if it is not given",
        "  compare   both sides show six digits, and a person compares them",
        "  cable     over a cable only: the key is sent in plain",
        "  renew     another key for a board that is paired",
      ].join("\n"),
      [
        "A strong signal shows which board is probably in your hand; it proves nothing. Where several",
        "are about as near, none is chosen. A code on the command line stays in the shell's history:",
        "let fardel ask for it, or use --code -.",
      ].join("\n"),
      [
        "The boards of a lossy: link are simulated: in pairing mode all the time, by code and by compare.",
        "Each has a claim code that depends on its address only, invented, and told on stderr. Their",
        "person accepts all digits, and they keep the keys that are in your store.",
      ].join("\n"),
      ...LINK_NOTES,
    ],
    examples: [
      ["fardel pair --link lossy:distance=0.3", "tries it with a simulated board, held close"],
      [
        "fardel pair row-7 --way compare --link serial:/dev/ttyUSB0",
        "with the board that calls itself row-7, by comparing six digits",
      ],
      [
        "fardel pair 02:00:00:00:00:0a --code - --as gate --link serial:/dev/ttyUSB0 < code.txt",
        "with the board at that address; it is called gate from then on",
      ],
      ["fardel pair gate --way renew --link serial:/dev/ttyUSB0", "gives it another key"],
    ],
    exitCodes: {
      failed: "not paired: no board was chosen, or the pairing came to nothing; no key came of it",
    },
  });
}

async function runPair(
  board: string | undefined,
  options: Options,
  context: Context,
): Promise<void> {
  const settings = settingsOf(board, options, context);
  refuseReplay(options.link, "pair");
  const open = await openObserved(options, context, true);
  try {
    checkLink(board, open);
    const guide = new PairGuide(context, options.json === true);
    await new PairRun(open, settings, guide, context).run();
  } finally {
    await open.close();
  }
}

function settingsOf(board: string | undefined, options: Options, context: Context): PairSettings {
  const { way, code, as, kind, yes = false } = options;
  if (code !== undefined && way !== undefined && way !== "code")
    throw usageProblem(`--code does not go with --way ${way}: it is for --way code.`);
  if (yes && way !== "cable")
    throw usageProblem("--yes goes with --way cable only: a code or six digits need a person.");
  if (way === "renew" && board === undefined)
    throw usageProblem("Say which board is to get another key: its name or address.");
  return {
    ...(board !== undefined && { board }),
    ...(way !== undefined && { way }),
    ...(code !== undefined && { code }),
    ...(as !== undefined && { as }),
    ...(kind !== undefined && { kind }),
    timeoutUs: options.timeout ?? TIMEOUT_US,
    isCableSure: yes,
    storePath: options.store ?? context.peersFile,
    linkText: options.link,
  };
}

function checkLink(board: string | undefined, open: PairingLink): void {
  if (board === undefined) checkBroadcast(open);
  const { mtuBytes } = open.link;
  if (mtuBytes >= PAIRING_MTU_MIN) return;
  const sentence = `Datagrams of this link have at most ${mtuBytes} bytes, pairing needs ${PAIRING_MTU_MIN}. Pair over another link.`;
  throw new Problem(EXIT.failed, "mtu-too-small", sentence);
}
