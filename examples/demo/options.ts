import { parseArgs } from "node:util";

/** What the demo was asked to do; every value is checked. */
export interface DemoOptions {
  /** File to push; `undefined`: the table of the frost watch. */
  readonly file: string | undefined;
  /** Share of datagrams lost, 0 to 1, each way. */
  readonly lossRate: number;
  /** Mean length of a run of losses, datagrams, at least 1. */
  readonly burstDatagrams: number;
  /** Largest datagram, bytes, 20 to 1500. */
  readonly datagramBytes: number;
  /** Fragments that each side takes beyond the first missing one, 1 to 255. */
  readonly window: number;
  readonly seed: number;
  readonly speed: "fast" | "real";
}

/** The command line cannot be understood: one sentence for the person who typed it. */
export class UsageError extends Error {
  override readonly name = "UsageError";
}

const DEFAULTS = { loss: "0.2", burst: "3", datagram: "250", window: "16", seed: "1" } as const;

export const HELP = `Usage: npm run demo -- [options] [FILE]

Pushes FILE from a gateway to a board over a simulated lossy link, while readings come back, an
urgent command overtakes it and the board's radio restarts. Without FILE: a frost-watch table of
an orchard (invented data).

  --loss RATE       share of datagrams lost each way, 0 to 1 (default ${DEFAULTS.loss})
  --burst LENGTH    mean length of a run of losses, datagrams, 1 to 1000 (default ${DEFAULTS.burst});
                    1, or less than chance would give: each datagram for itself
  --datagram BYTES  largest datagram, 20 to 1500 (default ${DEFAULTS.datagram})
  --window COUNT    fragments taken beyond the first missing one, 1 to 255 (default ${DEFAULTS.window})
  --seed NUMBER     fixes all that is drawn at random (default ${DEFAULTS.seed})
  --speed WORD      fast: simulated time (default); real: on this machine's clock
  --help            this text

Exit code: 0 arrived whole, 1 not, 2 the command line or FILE is at fault.
`;

/**
 * @param args - the command line after the name of the program
 * @returns "help" if that was asked for
 * @throws UsageError
 */
export function parseOptions(args: readonly string[]): DemoOptions | "help" {
  const { values, positionals } = read(args);
  if (values.help) return "help";
  if (positionals.length > 1) {
    throw new UsageError(`Give one FILE, not ${positionals.length}.`);
  }
  const { speed } = values;
  if (speed !== "fast" && speed !== "real") {
    throw new UsageError(`--speed must be fast or real, not ${JSON.stringify(speed)}.`);
  }
  return {
    file: positionals[0],
    lossRate: number("--loss", values.loss, 0, 1),
    burstDatagrams: number("--burst", values.burst, 1, 1000),
    datagramBytes: integer("--datagram", values.datagram, 20, 1500),
    window: integer("--window", values.window, 1, 255),
    seed: integer("--seed", values.seed, 0, Number.MAX_SAFE_INTEGER),
    speed,
  };
}

function read(args: readonly string[]) {
  try {
    return parseArgs({
      args: [...args],
      allowPositionals: true,
      options: {
        loss: { type: "string", default: DEFAULTS.loss },
        burst: { type: "string", default: DEFAULTS.burst },
        datagram: { type: "string", default: DEFAULTS.datagram },
        window: { type: "string", default: DEFAULTS.window },
        seed: { type: "string", default: DEFAULTS.seed },
        speed: { type: "string", default: "fast" },
        help: { type: "boolean", short: "h", default: false },
      },
    });
  } catch (error) {
    const { message } = error as Error;
    const [, ambiguous] = /^Option '(--\w+).*' argument is ambiguous/.exec(message) ?? [];
    if (ambiguous) {
      throw new UsageError(
        `${ambiguous} needs a value; write ${ambiguous}=VALUE if it has a dash.`,
      );
    }
    // The first sentence says what is wrong; the rest is advice on escapes, over several lines.
    const [sentence = ""] = message.split(/\n|\. /);
    throw new UsageError(`${sentence.replace(/\.$/, "")}. --help lists the options.`);
  }
}

function number(name: string, text: string, low: number, high: number): number {
  const value = /^\d*\.?\d+$/.test(text) ? Number(text) : Number.NaN;
  if (!(value >= low && value <= high)) {
    throw new UsageError(
      `${name} must be a number from ${low} to ${high}, not ${JSON.stringify(text)}.`,
    );
  }
  return value;
}

function integer(name: string, text: string, low: number, high: number): number {
  const value = /^\d+$/.test(text) ? Number(text) : Number.NaN;
  if (!(Number.isSafeInteger(value) && value >= low && value <= high)) {
    throw new UsageError(
      `${name} must be a whole number from ${low} to ${high}, not ${JSON.stringify(text)}.`,
    );
  }
  return value;
}
