// For tests: an example that runs until it is told to stop.

import { type ChildProcess, spawn } from "node:child_process";
import { createInterface } from "node:readline";
import { fileURLToPath } from "node:url";

const root = fileURLToPath(new URL("..", import.meta.url));

/** A TypeScript program of this repository as a process of its own, against the sources. */
export class RunningProgram {
  readonly lines: string[] = [];
  stderr = "";
  /** Exit code, or the signal that ended it. */
  readonly exit: Promise<number | string | null>;
  readonly #child: ChildProcess;
  #hasEnded = false;
  readonly #waiting = new Set<() => void>();

  /** @param file - relative to the root of the repository */
  constructor(file: string, args: readonly string[] = []) {
    // One process, so that signals reach the program itself.
    const child = spawn(process.execPath, ["--import", "tsx", file, ...args], {
      cwd: root,
      env: { ...process.env, TSX_TSCONFIG_PATH: "tsconfig.json", NO_COLOR: "1" },
      stdio: ["ignore", "pipe", "pipe"],
    });
    this.#child = child;
    child.stderr.setEncoding("utf8").on("data", (text: string) => {
      this.stderr += text;
    });
    createInterface({ input: child.stdout }).on("line", (line) => {
      this.lines.push(line);
      this.#wake();
    });
    this.exit = new Promise((resolve, reject) => {
      child.once("error", reject);
      child.once("close", (code, signal) => {
        this.#hasEnded = true;
        this.#wake();
        resolve(code ?? signal);
      });
    });
  }

  /** Waits for a line; the test's time limit bounds it. @returns what matched */
  async line(pattern: RegExp): Promise<RegExpExecArray> {
    for (let next = 0; ; ) {
      for (; next < this.lines.length; next++) {
        const match = pattern.exec(this.lines[next] as string);
        if (match) return match;
      }
      if (this.#hasEnded) throw new Error(`It ended without ${pattern}:\n${this.#log}`);
      await new Promise<void>((resolve) => this.#waiting.add(resolve));
    }
  }

  /** Sends a signal. @returns how it ended */
  stop(signal: NodeJS.Signals = "SIGINT"): Promise<number | string | null> {
    this.#child.kill(signal);
    return this.exit;
  }

  get #log(): string {
    return this.lines.join("\n") + this.stderr;
  }

  #wake(): void {
    for (const resolve of this.#waiting) resolve();
    this.#waiting.clear();
  }
}
