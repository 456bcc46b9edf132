import { existsSync, mkdirSync, readFileSync, writeFileSync } from "node:fs";
import { dirname, join } from "node:path";
import type { Output } from "../cli.js";
import { helpText, parseReport, type ReportCommand } from "./command.js";
import { commandOf, measured, REPORTED, renderFiles, resultsFile } from "./report.js";
import { formatResults, parseResults, type Results } from "./results.js";

/** Where the report is made. */
export interface Place extends Output {
  /** Has RESULTS.md, and the folders of results and plots. */
  readonly folder: string;
  /** The machine, in general words. */
  readonly machine: string;
}

/** @returns the exit code: 0, 1 if something failed, 2 if the command cannot be understood */
export async function report(args: readonly string[], place: Place): Promise<number> {
  const names = REPORTED.map(({ name }) => name);
  const command = parseReport(args, names);
  if (typeof command === "string") {
    place.error(`${command}\n`);
    return 2;
  }
  if (!command) {
    place.out(helpText(names));
    return 0;
  }
  const { fromFolder } = command;
  const faults =
    fromFolder === undefined
      ? await measureAll(command, place)
      : takeAll(command, fromFolder, place);
  const results = names.flatMap((name) =>
    attempt(place, faults, () =>
      readResults(join(place.folder, resultsFile(name)), name, command, place),
    ),
  );
  const files = renderFiles(results);
  for (const [name, text] of files) write(place, name, text);
  place.error(`Written: ${[...files.keys()].join(", ")}\n`);
  return faults.length > 0 ? 1 : 0;
}

/** Runs what was asked for and keeps its rows. @returns what failed; the last rows of that stay */
async function measureAll({ names, options }: ReportCommand, place: Place): Promise<string[]> {
  const faults: string[] = [];
  const wanted = REPORTED.filter(({ name }) => names.includes(name));
  for (const [i, benchmark] of wanted.entries()) {
    const { name } = benchmark;
    const startedMs = performance.now();
    place.error(`${i + 1} of ${wanted.length}: ${name} …`);
    try {
      const results = await measured(benchmark, options, place.machine);
      const seconds = ((performance.now() - startedMs) / 1000).toFixed(1);
      place.error(` ${results.rows.length} rows, ${seconds} s\n`);
      if (results.rows.length > 0) write(place, resultsFile(name), formatResults(results));
      else place.error(`${name} gave no rows: its last ones stay.\n`);
    } catch (error) {
      faults.push(textOf(error));
      place.error(` failed, its last rows stay: ${textOf(error)}\n`);
    }
  }
  return faults;
}

/** Takes rows that were measured elsewhere. @returns what could not be read */
function takeAll(command: ReportCommand, folder: string, place: Place): string[] {
  const faults: string[] = [];
  const taken = command.names.flatMap((name) =>
    attempt(place, faults, () => readResults(join(folder, `${name}.jsonl`), name, command, place)),
  );
  for (const results of taken) {
    write(place, resultsFile(results.bench), formatResults(results));
    place.error(`${results.bench}: ${results.rows.length} rows taken\n`);
  }
  if (taken.length === 0) {
    faults.push("none");
    place.error(`${folder} has no NAME.jsonl of any of: ${command.names.join(", ")}.\n`);
  }
  return faults;
}

function readResults(
  path: string,
  bench: string,
  { options }: ReportCommand,
  { machine }: Place,
): Results[] {
  if (!existsSync(path)) return [];
  const text = readFileSync(path, "utf8");
  return [parseResults(text, { bench, command: commandOf(bench, options), machine })];
}

/** One file that cannot be read does not keep the others from the page. */
function attempt(place: Place, faults: string[], read: () => Results[]): Results[] {
  try {
    return read();
  } catch (error) {
    faults.push(textOf(error));
    place.error(`${textOf(error)}\n`);
    return [];
  }
}

function write({ folder }: Place, name: string, text: string): void {
  const path = join(folder, name);
  mkdirSync(dirname(path), { recursive: true });
  writeFileSync(path, text);
}

function textOf(error: unknown): string {
  return error instanceof Error ? error.message : String(error);
}
