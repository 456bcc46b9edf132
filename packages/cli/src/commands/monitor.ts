import type { Address } from "@fardel/core";
import { type Command, InvalidArgumentError, Option } from "commander";
import type { Context } from "../context.js";
import { withHelp } from "../help.js";
import type { OpenLink } from "../link-address/open-link.js";
import { durationUs, wholeNumber } from "../option-values.js";
import { type PairingLink, peerAt } from "../paired/paired-boards.js";
import { usageProblem } from "../problem.js";
import { LINK_NOTES, type LinkOptions, openObserved, withLink } from "./common-options.js";
import { Monitor } from "./monitor-run.js";
import { SORT_KEYS, type SortKey } from "./monitor-view.js";
import type { WebSettings } from "./monitor-web.js";
import { addressList } from "./trace-peers.js";

interface Options extends LinkOptions {
  /** Microseconds, as the next. */
  readonly interval?: number;
  readonly for?: number;
  readonly once?: boolean;
  readonly peers?: readonly string[];
  readonly ping?: boolean;
  readonly sort: SortKey;
  readonly web?: boolean;
  readonly webPort?: number;
  readonly webHost?: string;
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
    .option("--web", "show it in a browser too: the address of the page goes to stderr")
    .option("--web-port <port>", "port of the page (default: a free one)", wholeNumber(0, 65_535))
    .option("--web-host <address>", "serve the page there (default: 127.0.0.1, this computer only)")
    .action((options: Options) => monitor(options, context));
  withHelp(command, {
    notes: [
      "Messages are acknowledged, counted and thrown away; requests are answered with a refusal.\nDo not take the place of a gateway whose messages matter.",
      "The page of --web can be looked at by whoever has its address, with the token in it; it changes nothing.\nAt another address than 127.0.0.1 it goes over the network unencrypted.",
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
      [
        "fardel monitor --web --link 'lossy:boards=20,every=1s,distance=20'",
        "the same in a browser: open the address that is printed",
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
  if (!options.web && (options.webPort !== undefined || options.webHost !== undefined)) {
    throw usageProblem(
      "--web-port and --web-host say where the page of --web is: give --web, too.",
    );
  }
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
      ...(options.web && { web: webSettings(options, open) }),
    };
    await new Monitor(open, settings, context).run();
  } finally {
    await open.close();
  }
}

function webSettings({ webHost, webPort }: Options, { paired }: PairingLink): WebSettings {
  return {
    host: webHost ?? "127.0.0.1",
    port: webPort ?? 0,
    nameOf: (address) => peerAt(paired.peers, address)?.name,
  };
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
