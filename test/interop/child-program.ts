import { type ChildProcess, fork } from "node:child_process";
import { once } from "node:events";
import { fileURLToPath } from "node:url";

const root = fileURLToPath(new URL("../..", import.meta.url));

/** A TypeScript program of this folder as a process of its own, against the sources. */
export class ChildProgram<ToProgram extends object, FromProgram extends object> {
  readonly #process: ChildProcess;
  readonly #unread: FromProgram[] = [];
  #output = "";
  #wake: () => void = () => undefined;

  /** @param file - relative to the root of the repository */
  constructor(file: string, options: object) {
    this.#process = fork(file, [JSON.stringify(options)], {
      cwd: root,
      execArgv: ["--import", "tsx"],
      env: { ...process.env, TSX_TSCONFIG_PATH: "tsconfig.json", NO_COLOR: "1" },
      stdio: ["ignore", "pipe", "pipe", "ipc"],
    });
    for (const stream of [this.#process.stdout, this.#process.stderr]) {
      stream?.on("data", (bytes: Buffer) => {
        this.#output += bytes.toString();
      });
    }
    this.#process.on("message", (message) => {
      this.#unread.push(message as FromProgram);
      this.#wake();
    });
    this.#process.once("exit", () => this.#wake());
  }

  get hasEnded(): boolean {
    return this.#process.exitCode !== null || this.#process.signalCode !== null;
  }

  tell(message: ToProgram): void {
    this.#process.send(message);
  }

  /** The next thing that the program tells. Rejects when it ends instead. */
  async hear(): Promise<FromProgram> {
    for (;;) {
      const message = this.#unread.shift();
      if (message !== undefined) return message;
      if (this.hasEnded) throw new Error(`The program has ended:\n${this.#output}`);
      await new Promise<void>((resolve) => {
        this.#wake = resolve;
      });
    }
  }

  /** `SIGKILL`: it has no chance to say goodbye. */
  async kill(): Promise<void> {
    if (this.hasEnded) return;
    const exit = once(this.#process, "exit");
    this.#process.kill("SIGKILL");
    await exit;
  }
}
