// `npm run demo`: the edge of the process. Reads the command line and the file, writes, sets the
// exit code.

import { readFileSync, statSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { HELP, parseOptions, UsageError } from "./options.js";
import { describeOutcome, describePlan, isWhole } from "./report.js";
import { type Screen, Timeline } from "./timeline.js";
import { runTransfer } from "./transfer.js";

const SAMPLE = fileURLToPath(new URL("../data/frost-watch.csv", import.meta.url));
const FILE_BYTES_MAX = 16 * 1024 * 1024;

/** @returns the exit code: 0 arrived whole, 1 not, 2 the command line or the file is at fault */
async function main(args: readonly string[], screen: Screen): Promise<number> {
  const options = parseOptions(args);
  if (options === "help") {
    screen.write(HELP);
    return 0;
  }
  const file = options.file ?? SAMPLE;
  const blob = readBlob(file);
  screen.write(describePlan(file, blob.length, options.file === undefined, options));
  const timeline = new Timeline(screen, blob.length);
  const outcome = await runTransfer(blob, options, (event) => timeline.show(event));
  timeline.end();
  screen.write(describeOutcome(outcome, options));
  return isWhole(outcome) ? 0 : 1;
}

function readBlob(file: string): Uint8Array {
  try {
    const { size } = statSync(file);
    if (size > FILE_BYTES_MAX) {
      throw new UsageError(
        `${file} has ${size} bytes; this demo takes at most ${FILE_BYTES_MAX}. Choose a smaller file.`,
      );
    }
    return readFileSync(file);
  } catch (error) {
    if (error instanceof UsageError) throw error;
    // `ENOENT: no such file or directory, open '…'`: the name is said already.
    const [reason] = (error as Error).message.split(",");
    throw new UsageError(`${file} cannot be read: ${reason}.`);
  }
}

const { stdout } = process;
const isTerminal = stdout.isTTY === true && process.env.TERM !== "dumb";
const screen: Screen = {
  write: (text) => stdout.write(text),
  isTerminal,
  hasColour: isTerminal && !process.env.NO_COLOR,
  // Some terminals say 0.
  columns: stdout.columns || 80,
};
// A reader that has seen enough, such as `head`, is no failure.
stdout.on("error", (error: NodeJS.ErrnoException) => {
  if (error.code !== "EPIPE") throw error;
  process.exit();
});
try {
  process.exitCode = await main(process.argv.slice(2), screen);
} catch (error) {
  if (!(error instanceof UsageError)) throw error;
  process.stderr.write(`${error.message}\n`);
  process.exitCode = 2;
}
