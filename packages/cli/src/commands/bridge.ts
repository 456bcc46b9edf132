import { formatAddress } from "@fardel/lossy-link";
import type { BridgeStatistics } from "@fardel/serial-bridge";
import { type Command, Option } from "commander";
import { whenAborted } from "../abort.js";
import type { Context } from "../context.js";
import { count, counted, duration } from "../format.js";
import { withHelp } from "../help.js";
import { type LinkAddress, parseLink } from "../link-address/link-syntax.js";
import { type OpenLink, openAddress } from "../link-address/open-link.js";
import { portSource } from "../link-address/serial.js";
import { wholeNumber } from "../option-values.js";
import { printable, writeJson } from "../output.js";
import { EXIT, usageProblem } from "../problem.js";
import { addObservationOptions } from "../recording/observation.js";
import { jsonOption, type ObservedOptions, observed } from "./common-options.js";
import { simulatedShows } from "./pair-proof.js";

interface Options extends ObservedOptions {
  readonly port: string;
  readonly behind: string;
  readonly boards?: number;
  readonly queue: number;
  readonly peers: number;
  readonly name: string;
  readonly baud: number;
  readonly framing: "cobs" | "slip";
  readonly json?: boolean;
}

/** Longest name that a bridge tells, bytes (BRIDGE.md, section 5.1). */
const NAME_BYTES_MAX = 64;

export function addBridge(program: Command, context: Context): void {
  const command = program
    .command("bridge")
    .description("Be a bridge: what a board on a serial port does, as a process on this computer.")
    .requiredOption("-p, --port <path>", "the port to the host: a serial port or a pseudo-terminal")
    .requiredOption("-b, --behind <link>", "the radio behind it: udp:HOST:PORT or lossy:…")
    .option(
      "--boards <number>",
      "simulated boards behind lossy: (default: 1)",
      wholeNumber(1, 1000),
    )
    .option("--queue <datagrams>", "datagrams that it holds, 1 to 64", wholeNumber(1, 64), 4)
    .option(
      "--peers <number>",
      "places in the table of its radio, 0: needs none",
      wholeNumber(0, 255),
      20,
    )
    .option("--name <name>", "what it calls itself", "fardel bridge")
    .option("--baud <rate>", "bit rate of the port", wholeNumber(300, 10_000_000), 115_200)
    .addOption(
      new Option("--framing <framing>", "how frames are delimited")
        .choices(["cobs", "slip"])
        .default("cobs"),
    )
    .addOption(jsonOption());
  addObservationOptions(command).action((options: Options) => bridge(options, context));
  withHelp(command, {
    examples: [
      [
        "socat pty,rawer,echo=0,link=host pty,rawer,echo=0,link=board",
        "joins two pseudo-terminals, like ports with a cable between them; leave it running",
      ],
      [
        "fardel bridge --port board --behind lossy:loss=0.2 --boards 3",
        "is a bridge at one end, with three simulated boards behind it",
      ],
      [
        "fardel send fans.bin --link serial:host --to 02:00:00:00:00:03",
        "sends a file to the second board through it",
      ],
    ],
    exitCodes: {
      done: "never: it runs until Ctrl-C",
      link: "the port or the link behind it cannot be opened",
    },
  });
}

async function bridge(options: Options, context: Context): Promise<void> {
  const { port, queue, name, baud, framing, peers } = options;
  if (Buffer.byteLength(name) > NAME_BYTES_MAX) {
    throw usageProblem(`--name has more than ${NAME_BYTES_MAX} bytes. Choose a shorter one.`);
  }
  const behind = parseBehind(options);
  const address = parseLink(`serial:${port}`);
  if (address.kind !== "serial") throw usageProblem(`${port} is not a serial port.`);
  const { Bridge, linkRadio } = await import("@fardel/serial-bridge");
  const open = await observed(
    await openAddress(behind, context, { isFindable: true }),
    options.behind,
    options,
    context,
  );
  try {
    const running = await Bridge.start({
      source: await portSource(address),
      radio: linkRadio(open.link, { peersMax: peers }),
      clock: context.clock,
      bitRate: baud,
      framing,
      queue,
      name,
    });
    announce(options, open, context);
    await whenAborted(context.signal);
    const { statistics } = running;
    await running.close();
    summarize(statistics, options, context);
    context.exitWith(EXIT.interrupted);
  } finally {
    await open.close();
  }
}

/** Boards whose claim codes are told. */
const LABELS_MAX = 10;

function parseBehind({ behind, boards }: Options): LinkAddress {
  const address = parseLink(behind);
  switch (address.kind) {
    case "serial":
      throw usageProblem(
        "Behind a bridge is a radio, not another serial port: use udp: or lossy:.",
      );
    case "udp":
      if (boards !== undefined)
        throw usageProblem("--boards goes with lossy:; over udp: they are elsewhere.");
      if (address.host !== "0.0.0.0" && address.host !== "::") return address;
      throw usageProblem("A bridge has one address: name a host of this computer, udp:HOST:PORT.");
    case "replay":
      throw usageProblem("A recording is no radio: use udp: or lossy:.");
    case "lossy":
      return boards === undefined ? address : { ...address, boards };
  }
}

function announce(
  { port, json }: Options,
  { link, describe, simulated }: OpenLink,
  { output }: Context,
): void {
  const address = link.localAddress && formatAddress(link.localAddress);
  if (json) writeJson(output, { type: "bridge", port, address, behind: describe });
  output.err(`Bridge ${address} at ${printable(port)}, behind it ${describe}. Ctrl-C ends it.\n`);
  if (!simulated) return;
  const labels = simulated.labels
    .slice(0, LABELS_MAX)
    .map(({ name, claimCode }) => `${name} ${claimCode}`);
  const more = simulated.labels.length > LABELS_MAX ? ", …" : "";
  output.err(`Claim codes of the simulated boards, invented: ${labels.join(", ")}${more}\n`);
  simulated.onShortCode((shortCode) => output.err(`${simulatedShows(shortCode)}\n`));
}

function summarize(statistics: BridgeStatistics, { json }: Options, { output }: Context): void {
  if (json) {
    writeJson(output, { type: "summary", ...statistics });
    return;
  }
  const { datagramsSent = 0, datagramsHeard = 0, uptimeS = 0 } = statistics;
  const sent = counted(datagramsSent, "datagram");
  output.out(`${sent} sent, ${count(datagramsHeard)} heard in ${duration(uptimeS * 1e6)}\n`);
  const troubles = [
    [statistics.framesDamaged, "damaged on the line"],
    [statistics.datagramsLostOnLine, "lost on the line"],
    [statistics.datagramsRefused, "refused"],
    [statistics.datagramsDropped, "dropped: the line was too slow"],
  ] as const;
  for (const [number = 0, what] of troubles) {
    if (number > 0) output.out(`  ${count(number)} ${what}\n`);
  }
}
