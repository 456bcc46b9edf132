import os from "node:os";
import { fileURLToPath } from "node:url";
import { describeMachine } from "./machine.js";
import { report } from "./run.js";

process.exitCode = await report(process.argv.slice(2), {
  folder: fileURLToPath(new URL("../", import.meta.url)),
  machine: describeMachine({
    cores: os.availableParallelism(),
    memoryBytes: os.totalmem(),
    system: os.type(),
    node: process.versions.node,
  }),
  out: (text) => process.stdout.write(text),
  error: (text) => process.stderr.write(text),
});
