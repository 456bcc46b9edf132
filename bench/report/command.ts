import { parseArgs } from "node:util";
import type { BenchOptions } from "../benchmark.js";
import { DEFAULTS } from "./results.js";

/** What the user asked for. */
export interface ReportCommand {
  /** Benchmarks that are run, or taken from {@link fromFolder}; the others keep their last rows. */
  readonly names: readonly string[];
  readonly options: BenchOptions;
  /** Folder with rows that were measured elsewhere, as NAME.jsonl. */
  readonly fromFolder: string | undefined;
}

export function helpText(names: readonly string[]): string {
  return `Measures Fardel and writes bench/RESULTS.md with its plots. npm run report -- [options]

  --only NAME,…      Runs these only; the others keep their last rows (bench/results)
  --skip NAME,…      Runs all but these
  --render           Runs nothing: writes the page from the last rows
  --from-json DIR    Runs nothing: takes rows from DIR/NAME.jsonl where there is such a file, as
                     npm run --silent bench -- NAME --json writes them
  --seeds N          As for npm run bench; default ${DEFAULTS.seeds}
  --scale X          As for npm run bench; default ${DEFAULTS.scale}
  --help             This text

Names: ${names.join(", ")}
`;
}

/** @returns the command, `undefined` for help, or one line that says what is wrong */
export function parseReport(
  args: readonly string[],
  known: readonly string[],
): ReportCommand | string | undefined {
  let values: ReturnType<typeof parseOptions>;
  try {
    values = parseOptions(args);
  } catch (error) {
    const text = error instanceof Error ? error.message : String(error);
    return `${text.split(/[.\n]/)[0]}. Run it with --help for all options.`;
  }
  if (values.help) return undefined;
  const only = namesIn(values.only);
  const skip = namesIn(values.skip);
  const unknown = [...(only ?? []), ...(skip ?? [])].filter((name) => !known.includes(name));
  if (unknown.length > 0) {
    return `No such benchmark: ${unknown.join(", ")}. There are: ${known.join(", ")}.`;
  }
  const seeds = Number(values.seeds);
  if (!Number.isInteger(seeds) || seeds < 1 || seeds > 1_000_000) {
    return `--seeds ${values.seeds} is not a whole number from 1 to 1000000.`;
  }
  const scale = Number(values.scale);
  if (!(scale > 0 && scale <= 100))
    return `--scale ${values.scale} is not above 0 and at most 100.`;
  const wanted = values.render ? [] : (only ?? known);
  return {
    names: known.filter((name) => wanted.includes(name) && !skip?.includes(name)),
    options: { seeds, scale },
    fromFolder: values["from-json"],
  };
}

function namesIn(list: string | undefined): string[] | undefined {
  return list?.split(",").map((name) => name.trim());
}

function parseOptions(args: readonly string[]) {
  return parseArgs({
    args: [...args],
    options: {
      only: { type: "string" },
      skip: { type: "string" },
      render: { type: "boolean", default: false },
      "from-json": { type: "string" },
      seeds: { type: "string", default: String(DEFAULTS.seeds) },
      scale: { type: "string", default: String(DEFAULTS.scale) },
      help: { type: "boolean", default: false },
    },
  }).values;
}
