import { createRequire } from "node:module";
import { Command } from "commander";
import { addBridge } from "./commands/bridge.js";
import { addDiscover } from "./commands/discover.js";
import { addEstimate } from "./commands/estimate.js";
import { addMonitor } from "./commands/monitor.js";
import { addPair } from "./commands/pair.js";
import { addPeers } from "./commands/peers.js";
import { addPorts } from "./commands/ports.js";
import { addReceive } from "./commands/receive.js";
import { addSend } from "./commands/send.js";
import { addSimulate } from "./commands/simulate.js";
import { addTrace } from "./commands/trace.js";
import type { Context } from "./context.js";

/** The command `fardel` with all its commands; each adds itself. */
export function createProgram(context: Context): Command {
  const { output } = context;
  const program = new Command("fardel")
    .description(
      "Whole messages over tiny lossy datagrams: find boards, pair, send, receive, simulate, look at links.",
    )
    .version(version(), "-V, --version", "print the version")
    .helpOption("-h, --help", "show help")
    .helpCommand("help [command]", "show the help of a command")
    .exitOverride()
    .configureOutput({
      writeOut: (text) => output.out(text),
      writeErr: (text) => output.err(text),
      getOutHelpWidth: () => output.columns,
      getErrHelpWidth: () => output.columns,
      // `run` says it, in the same way as every other problem.
      outputError: () => {},
    });
  addSend(program, context);
  addReceive(program, context);
  addDiscover(program, context);
  addPair(program, context);
  addPeers(program, context);
  addPorts(program, context);
  addBridge(program, context);
  addSimulate(program, context);
  addEstimate(program, context);
  addTrace(program, context);
  addMonitor(program, context);
  return program;
}

/** The sources and the build are both one folder below package.json. */
function version(): string {
  const manifest: { readonly version: string } = createRequire(import.meta.url)("../package.json");
  return manifest.version;
}
