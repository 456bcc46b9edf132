import { type ChildProcess, fork } from "node:child_process";
import { fileURLToPath } from "node:url";
import type { CutWords, VariantWords } from "./cut.js";
import type { RunReport } from "./run.js";

/** One seed, for a worker process. */
export interface Order {
  readonly seed: number;
  readonly cut: CutWords;
  readonly variant: VariantWords;
}

/** What became of it. */
export type Outcome =
  | { readonly ok: true; readonly seed: number; readonly report: RunReport }
  | { readonly ok: false; readonly seed: number; readonly message: string };

/** Real time after which a run counts as hung, seconds. */
const HUNG_S = 40;
const HEAP_MB = 1024;
const PROGRAM = fileURLToPath(new URL("./soak.ts", import.meta.url));
const RUNNER = fileURLToPath(new URL("../../scripts/run.mjs", import.meta.url));

/**
 * A process that runs one seed after the other. A run that hangs or takes all memory ends its
 * process, not the soak.
 */
export class Worker {
  #child: ChildProcess | undefined;

  /** Never rejects. */
  run(order: Order): Promise<Outcome> {
    const { seed } = order;
    this.#child ??= startProcess();
    const child = this.#child;
    return new Promise((resolve) => {
      const finish = (outcome: Outcome) => {
        clearTimeout(timer);
        child.removeAllListeners();
        resolve(outcome);
      };
      const die = (message: string) => {
        this.#child = undefined;
        finish({ ok: false, seed, message: `Seed ${seed}: ${message}` });
      };
      const timer = setTimeout(() => {
        child.removeAllListeners();
        child.kill("SIGKILL");
        die(`not done after ${HUNG_S} s of real time; it hangs or does far too much.`);
      }, HUNG_S * 1000);
      child.on("message", (outcome) => finish(outcome as Outcome));
      child.on("exit", (code) =>
        die(`its process ended with ${code}, perhaps for lack of memory.`),
      );
      child.send(order);
    });
  }

  stop(): void {
    this.#child?.kill();
    this.#child = undefined;
  }
}

/** By the same way in which this program was started: a TypeScript loader, or the runner. */
function startProcess(): ChildProcess {
  const isLoaded = process.execArgv.some((argument) => argument.includes("tsx"));
  const execArgv = [...process.execArgv, `--max-old-space-size=${HEAP_MB}`];
  const stdio: ["ignore", "ignore", "ignore", "ipc"] = ["ignore", "ignore", "ignore", "ipc"];
  return isLoaded
    ? fork(PROGRAM, ["--worker"], { execArgv, stdio })
    : fork(RUNNER, [PROGRAM, "--worker"], { execArgv, stdio });
}
