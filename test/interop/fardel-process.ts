import { type ChildProcess, spawn } from "node:child_process";
import { fileURLToPath } from "node:url";

const root = fileURLToPath(new URL("../..", import.meta.url));
const main = fileURLToPath(new URL("../../packages/cli/src/main.ts", import.meta.url));

/** No command of a test runs nearly as long, on a machine that is busy with others either. */
const ENDED_MS_MAX = 100_000;

/** How the command ended. */
export interface Ending {
  readonly code: number | null;
  readonly signal: NodeJS.Signals | null;
  readonly out: string;
  readonly err: string;
}

/** The command `fardel` as a process of its own, from the sources. */
export class FardelProcess {
  readonly #process: ChildProcess;
  readonly #watchers = new Set<() => void>();
  out = "";
  err = "";
  readonly #closed: Promise<Ending>;

  constructor(
    readonly args: readonly string[],
    options: { readonly cwd?: string; readonly input?: Uint8Array } = {},
  ) {
    // tsx by its full address: the command may run in a folder outside of the repository.
    const loader = import.meta.resolve("tsx");
    this.#process = spawn(process.execPath, ["--import", loader, main, ...args], {
      cwd: options.cwd ?? root,
      env: { ...process.env, TSX_TSCONFIG_PATH: `${root}tsconfig.json`, NO_COLOR: "1" },
      stdio: ["pipe", "pipe", "pipe"],
    });
    const { stdin, stdout, stderr } = this.#process;
    stdin?.on("error", () => {});
    stdin?.end(options.input ?? "");
    stdout?.on("data", (bytes: Buffer) => {
      this.out += bytes.toString();
      this.#tell();
    });
    stderr?.on("data", (bytes: Buffer) => {
      this.err += bytes.toString();
      this.#tell();
    });
    this.#closed = new Promise((resolve) => {
      this.#process.once("close", (code, signal) => {
        resolve({ code, signal, out: this.out, err: this.err });
        this.#tell();
      });
    });
  }

  /** The lines of JSON that it has printed. */
  get objects(): Record<string, unknown>[] {
    const lines = this.out.split("\n").slice(0, -1);
    return lines.map((line) => JSON.parse(line) as Record<string, unknown>);
  }

  /** Resolves when it has ended; rejects, with what it said, when it takes far too long. */
  async ended(): Promise<Ending> {
    const late = new Promise<never>((_resolve, reject) => {
      const tell = () => reject(new Error(`${this.args} has not ended:\n${this.out}${this.err}`));
      const timer = setTimeout(tell, ENDED_MS_MAX);
      void this.#closed.then(() => clearTimeout(timer));
    });
    return Promise.race([this.#closed, late]);
  }

  /** Resolves when `out` and `err` together contain the text; rejects when it ends without. */
  said(text: string): Promise<void> {
    return new Promise((resolve, reject) => {
      const look = () => {
        const all = `${this.out}${this.err}`;
        if (all.includes(text)) resolve();
        else if (this.#process.exitCode === null && this.#process.signalCode === null) return;
        else reject(new Error(`It ended without saying "${text}":\n${all}`));
        this.#watchers.delete(look);
      };
      this.#watchers.add(look);
      look();
    });
  }

  /** Ctrl-C, or another signal. */
  signal(signal: NodeJS.Signals = "SIGINT"): void {
    this.#process.kill(signal);
  }

  /** Reads no more of what it prints, as `head` does. */
  stopReading(): void {
    this.#process.stdout?.destroy();
  }

  /** Ends it in any case. */
  async kill(): Promise<void> {
    if (this.#process.exitCode === null && this.#process.signalCode === null) {
      this.#process.kill("SIGKILL");
    }
    await this.#closed;
  }

  #tell(): void {
    for (const look of [...this.#watchers]) look();
  }
}
