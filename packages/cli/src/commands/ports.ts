import { formatAddress } from "@fardel/lossy-link";
import type { ProbeResult, SerialPortInfo } from "@fardel/serial-bridge/node";
import Table from "cli-table3";
import { type Command, InvalidArgumentError, Option } from "commander";
import type { Context } from "../context.js";
import { counted } from "../format.js";
import { withHelp } from "../help.js";
import { parseLink } from "../link-address/link-syntax.js";
import { portSource } from "../link-address/serial.js";
import { wholeNumber } from "../option-values.js";
import { printable, writeJson } from "../output.js";
import { EXIT, usageProblem } from "../problem.js";
import { jsonOption } from "./common-options.js";

interface Options {
  readonly all?: boolean;
  readonly probe: boolean;
  readonly baud: readonly number[];
  readonly framing: "cobs" | "slip";
  readonly json?: boolean;
}

/** What the command needs of the computer; tests give another. */
export interface PortSystem {
  list(): Promise<readonly SerialPortInfo[]>;
  probe(
    path: string,
    options: Pick<Options, "baud" | "framing">,
    context: Context,
  ): Promise<ProbeResult>;
}

/** A port, and what was found at it. */
interface Finding {
  readonly info: SerialPortInfo;
  /** Left out with `--no-probe`. */
  readonly result?: ProbeResult;
}

/** Most boards are set to one of these; each more costs 3 s at a port that is silent. */
const RATES_DEFAULT: readonly number[] = [115_200, 921_600];
/** Ports that are open at once. */
const PROBES_MAX = 16;

export function addPorts(program: Command, context: Context, system = thisComputer): void {
  const command = program
    .command("ports")
    .description(
      "List the serial ports and what answers on them. Opening a port resets some boards.",
    )
    .argument("[port...]", "look at these only: paths, or tcp://HOST:PORT")
    .option("--all", "ports without a USB device too")
    .option("--no-probe", "only list them, open none")
    .addOption(
      new Option("--baud <rates>", "bit rates to try, with commas")
        .argParser(rates)
        .default(RATES_DEFAULT, RATES_DEFAULT.join(",")),
    )
    .addOption(
      new Option("--framing <framing>", "how the bridge delimits frames")
        .choices(["cobs", "slip"])
        .default("cobs"),
    )
    .addOption(jsonOption())
    .action((ports: string[], options: Options) => listPorts(ports, options, system, context));
  withHelp(command, {
    examples: [
      ["fardel ports", "lists the ports of USB devices; takes some seconds where nothing answers"],
      ["fardel ports /dev/ttyS0 tcp://192.168.1.9:4000 --baud 115200", "looks at these two"],
    ],
    exitCodes: {
      done: "done, whatever was found",
      failed: "no bridge answered at a port that was named",
    },
  });
}

function rates(text: string): number[] {
  const read = wholeNumber(300, 10_000_000);
  const list = text.split(",").map(read);
  if (list.length <= 32) return list;
  throw new InvalidArgumentError("Give 32 rates at most.");
}

async function listPorts(
  named: readonly string[],
  options: Options,
  system: PortSystem,
  context: Context,
): Promise<void> {
  const isNamed = named.length > 0;
  if (isNamed && !options.probe)
    throw usageProblem("--no-probe lists ports, so none can be named.");
  const all: readonly SerialPortInfo[] = isNamed
    ? named.map((path) => ({ path }))
    : await system.list();
  const shown = isNamed || options.all ? all : all.filter(({ vendorId }) => vendorId !== undefined);
  const hidden = all.length - shown.length;
  if (options.probe && shown.length > 0) {
    context.output.err(`Looking at ${counted(shown.length, "port")} …\n`);
  }
  const findings = await look(shown, options, system, context);
  if (options.json) writeObjects(findings, hidden, context);
  else writeTable(findings, hidden, context);
  const isMissing = findings.some(({ result }) => result?.answer !== "bridge");
  if (isNamed && isMissing) context.exitWith(EXIT.failed);
}

/** Some at a time, since each silent port takes seconds. */
async function look(
  ports: readonly SerialPortInfo[],
  options: Options,
  system: PortSystem,
  context: Context,
): Promise<Finding[]> {
  if (!options.probe) return ports.map((info) => ({ info }));
  const findings: Finding[] = [];
  const left = [...ports.entries()];
  const work = async () => {
    for (let next = left.shift(); next; next = left.shift()) {
      const [index, info] = next;
      findings[index] = { info, result: await system.probe(info.path, options, context) };
    }
  };
  await Promise.all(Array.from({ length: PROBES_MAX }, work));
  return findings;
}

const thisComputer: PortSystem = {
  list: async () => (await import("@fardel/serial-bridge/node")).listSerialPorts(),
  probe: async (path, { baud, framing }, { clock, signal }) => {
    const { probePort } = await import("@fardel/serial-bridge/node");
    const address = parseLink(`serial:${path}`);
    if (address.kind !== "serial") throw usageProblem(`${path} is not a serial port.`);
    return probePort(await portSource(address), { bitRates: baud, framing, clock, signal });
  },
};

function writeObjects(findings: readonly Finding[], hidden: number, { output }: Context): void {
  for (const { info, result } of findings) {
    writeJson(output, { type: "port", ...info, ...(result && resultObject(result)) });
  }
  const bridges = findings.filter(({ result }) => result?.answer === "bridge").length;
  writeJson(output, { type: "summary", ports: findings.length, bridges, hidden });
}

function resultObject(result: ProbeResult): Record<string, unknown> {
  if (result.answer === "failed") {
    const { code, message } = result.error;
    return { answer: "failed", error: { code, message } };
  }
  if (result.answer !== "bridge") return { ...result };
  const { facts, bitRate } = result;
  return { answer: "bridge", bitRate, bridge: { ...facts, address: formatAddress(facts.address) } };
}

function writeTable(findings: readonly Finding[], hidden: number, { output }: Context): void {
  if (findings.length === 0) {
    output.out("No serial port of a USB device is there. Is the board plugged in?\n");
  } else {
    const table = new Table({ head: ["Port", "Device", "What answers"], ...PLAIN });
    for (const { info, result } of findings) {
      table.push(
        [info.path, device(info), result ? answer(result) : "not looked at"].map(printable),
      );
    }
    output.out(`${table.toString().replace(/ +$/gm, "")}\n`);
  }
  if (hidden === 0) return;
  const [them, are] = hidden === 1 ? ["it", "is"] : ["them", "are"];
  output.err(
    `${counted(hidden, "port")} without a USB device ${are} not shown: --all shows ${them}.\n`,
  );
}

/** Columns and nothing else: no lines, no colours. */
const PLAIN: Table.TableConstructorOptions = {
  chars: {
    ...Object.fromEntries(
      ["top", "bottom", "left", "right"].flatMap((side) =>
        ["", "-mid", "-left", "-right"].map((place) => [`${side}${place}`, ""]),
      ),
    ),
    middle: "  ",
    mid: "",
    "mid-mid": "",
    "left-mid": "",
    "right-mid": "",
  },
  style: { head: [], border: [], "padding-left": 0, "padding-right": 0, compact: true },
};

function device({
  product,
  manufacturer,
  serialNumber,
  vendorId,
  productId = "?",
}: SerialPortInfo): string {
  const name =
    product ?? manufacturer ?? (vendorId === undefined ? "" : `USB ${vendorId}:${productId}`);
  return serialNumber === undefined ? name : `${name} (${serialNumber})`;
}

function answer(result: ProbeResult): string {
  switch (result.answer) {
    case "bridge": {
      const { name, address, mtuBytes, channel } = result.facts;
      const facts = [`bridge ${formatAddress(address)}`];
      if (name !== "") facts.push(name);
      facts.push(`datagrams of ${mtuBytes} bytes`);
      if (channel !== 0) facts.push(`channel ${channel}`);
      if (result.bitRate !== undefined) facts.push(`${result.bitRate} baud`);
      return facts.join(", ");
    }
    case "silent":
      return "nothing";
    case "no-frames":
      return `${counted(result.bytes, "byte")}, but no bridge: ${firstLine(result.text)}`;
    case "failed":
      return result.error.message;
  }
}

const EXCERPT_CHARACTERS = 40;

function firstLine(text: string): string {
  const line = text.split("\n").find((one) => one.trim() !== "") ?? "";
  return line.length > EXCERPT_CHARACTERS ? `${line.slice(0, EXCERPT_CHARACTERS)}…` : line;
}
