import type { Address } from "@fardel/core";
import { type Command, InvalidArgumentError, Option } from "commander";
import type { Context } from "../context.js";
import { withHelp } from "../help.js";
import type { OpenLink } from "../link-address/open-link.js";
import { durationUs } from "../option-values.js";
import { usageProblem } from "../problem.js";
import { LINK_NOTES, type LinkOptions, openObserved, withLink } from "./common-options.js";
import { Monitor } from "./monitor-run.js";
import { SORT_KEYS, type SortKey } from "./monitor-view.js";
import { addressList } from "./trace-peers.js";

interface Options extends LinkOptions {
  /** Microseconds, as the next. */
  readonly interval?: number;
  readonly for?: number;
  readonly once?: boolean;
  readonly peers?: readonly string[];
  readonly ping?: boolean;
  readonly sort: SortKey;
}

const INTERVAL_US = 1_000_000;
/** Shorter ones nobody can read. */
const INTERVAL_US_MIN = 100_000;

/** Adds `fardel monitor`: the peers of a gateway, live. */
export function addMonitor(program: Command, context: Context): void {
  const command = program
    .command("monitor")
    .description("Be a gateway that only watches: show its peers, live.");
  withLink(command)
    .option("--interval <time>", "time between two looks (default: 1s)", interval)
    .option("--for <time>", "end after this time, such as 10s", durationUs)
    .option("--once", "look once, after one interval, and end")
    .option("--peers <addresses>", "show these peers in any case: a,b,…", addressList)
    .option("--ping", "ask for signs of life; --peers without a session get an empty message")
    .addOption(new Option("--sort <by>", "what comes first").choices(SORT_KEYS).default("heard"))
    .action((options: Options) => monitor(options, context));
  withHelp(command, {
    notes: [
      "Messages are acknowledged, counted and thrown away; requests are answered with a refusal.\nDo not take the place of a gateway whose messages matter.",
      ...LINK_NOTES,
    ],
    examples: [
      [
        "fardel monitor --link 'lossy:boards=20,every=1s,distance=60'",
        "twenty simulated boards; their readings are invented",
      ],
      [
        "fardel monitor --link serial:/dev/ttyUSB0 --peers 02:00:00:00:00:0a --ping",
        "is that board there, and how well is it heard?",
      ],
      ["fardel monitor --link udp::7400 --json --interval 10s", "figures for a program"],
    ],
    exitCodes: { failed: "the recording failed" },
  });
}

async function monitor(options: Options, context: Context): Promise<void> {
  const {
    interval: intervalUs = INTERVAL_US,
    once = false,
    ping = false,
    json = false,
    trace = false,
    peers = [],
  } = options;
  if (once && options.for !== undefined) throw usageProblem("Give either --once or --for.");
  const open = await openObserved(options, context);
  try {
    const watched = await addressesOf(peers, open);
    const settings = {
      intervalUs,
      forUs: once ? intervalUs : options.for,
      sort: options.sort,
      form: json ? ("json" as const) : trace ? ("lines" as const) : ("table" as const),
      watched,
      ping,
    };
    await new Monitor(open, settings, context).run();
  } finally {
    await open.close();
  }
}

async function addressesOf(texts: readonly string[], open: OpenLink): Promise<Address[]> {
  const addresses = new Map<string, Address>();
  for (const text of texts) {
    const address = await open.parseAddress(text);
    addresses.set(open.formatAddress(address), address);
  }
  return [...addresses.values()];
}

function interval(text: string): number {
  const us = durationUs(text);
  if (us >= INTERVAL_US_MIN) return us;
  throw new InvalidArgumentError(`Give ${INTERVAL_US_MIN / 1000}ms or more.`);
}
