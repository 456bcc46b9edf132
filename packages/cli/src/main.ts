#!/usr/bin/env node
import { SystemClock } from "@fardel/core";
import { processOutput } from "./output.js";
import { defaultPeersFile } from "./paired/peers-file.js";
import { EXIT } from "./problem.js";
import { run } from "./run.js";

/** The edge of the process: everything that only a process has is here. */
const interruption = new AbortController();
const debug = (process.env.FARDEL_DEBUG ?? "0") !== "0";

/** Whoever reads our output has gone away (`fardel … | head`): no fault of anybody. */
let isUnread = false;

for (const signal of ["SIGINT", "SIGTERM"] as const) {
  process.on(signal, () => {
    if (interruption.signal.aborted) process.exit(EXIT.interrupted);
    interruption.abort();
  });
}

for (const stream of [process.stdout, process.stderr]) {
  stream.on("error", (error: NodeJS.ErrnoException) => {
    if (error.code !== "EPIPE") process.exit(EXIT.failed);
    isUnread = true;
    interruption.abort();
  });
}

for (const event of ["uncaughtException", "unhandledRejection"] as const) {
  process.on(event, (error: unknown) => {
    const what = error instanceof Error ? error.message : String(error);
    process.stderr.write(`fardel: This should not have happened: ${what}\n`);
    if (debug && error instanceof Error) process.stderr.write(`${error.stack}\n`);
    else process.stderr.write("Run it again with FARDEL_DEBUG=1 and report what it prints.\n");
    process.exit(EXIT.failed);
  });
}

const exitCode = await run(
  process.argv.slice(2),
  {
    output: processOutput(process.stdout, process.stderr),
    input: process.stdin,
    signal: interruption.signal,
    clock: new SystemClock(),
    today: () => new Date(),
    peersFile: defaultPeersFile(),
    exitWith: () => {},
  },
  { debug },
);

// What was written must be out before the process ends; what still holds it open must not.
await Promise.all([process.stdout, process.stderr].map((stream) => flushed(stream)));
process.exit(isUnread && exitCode === EXIT.interrupted ? EXIT.done : exitCode);

function flushed(stream: NodeJS.WriteStream): Promise<void> {
  return new Promise((resolve) => {
    if (isUnread || !stream.writable) resolve();
    else stream.write("", () => resolve());
  });
}
