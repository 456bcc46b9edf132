import { type ChildProcess, spawn } from "node:child_process";
import { fileURLToPath } from "node:url";
import type { FromRacer, RacerOptions, ToRacer } from "./messages.js";

const root = fileURLToPath(new URL("../..", import.meta.url));
const program = fileURLToPath(new URL("./racer.ts", import.meta.url));

type Heard<T extends FromRacer["type"]> = Extract<FromRacer, { readonly type: T }>;

/**
 * A process in a network namespace of its own. The namespace has no name: it is gone with the process,
 * however that ends, and the process ends with this one.
 */
export class Racer {
  readonly #process: ChildProcess;
  #unread: FromRacer[] = [];
  #waiting = new Set<() => void>();
  #output = "";

  private constructor(options: RacerOptions) {
    const node = [process.execPath, "--import", "tsx", program, JSON.stringify(options)];
    this.#process = spawn("unshare", ["--net", ...node], {
      cwd: root,
      env: { ...process.env, TSX_TSCONFIG_PATH: "tsconfig.json" },
      stdio: ["ignore", "pipe", "pipe", "ipc"],
    });
    for (const stream of [this.#process.stdout, this.#process.stderr]) {
      stream?.on("data", (bytes: Buffer) => {
        this.#output += bytes.toString();
      });
    }
    this.#process.on("message", (message) => {
      this.#unread.push(message as FromRacer);
      this.#wake();
    });
    this.#process.on("error", (error) => {
      this.#output += error.message;
      this.#wake();
    });
    this.#process.once("close", () => this.#wake());
  }

  /** @throws `Error` with what the process said, if its namespace could not be set up */
  static async start(options: RacerOptions): Promise<Racer> {
    const racer = new Racer(options);
    await racer.hear("ready");
    return racer;
  }

  /** Path that stands for its namespace, as long as the process runs. */
  get namespace(): string {
    return `/proc/${this.#process.pid}/ns/net`;
  }

  tell(message: ToRacer): void {
    this.#process.send(message);
  }

  /** Forgets what it has said until now. */
  forget(): void {
    this.#unread = [];
  }

  /** The first thing of this type that it has said since it was last told to forget. */
  async hear<T extends FromRacer["type"]>(type: T): Promise<Heard<T>> {
    for (;;) {
      const found = this.#unread.find((message): message is Heard<T> => message.type === type);
      if (found) return found;
      if (this.#hasEnded) throw new Error(`A racer has ended too soon:\n${this.#output}`);
      await new Promise<void>((resolve) => this.#waiting.add(resolve));
    }
  }

  async close(): Promise<void> {
    if (this.#hasEnded) return;
    const closed = new Promise((resolve) => this.#process.once("close", resolve));
    this.#process.kill("SIGKILL");
    await closed;
  }

  get #hasEnded(): boolean {
    const { pid, exitCode, signalCode } = this.#process;
    return pid === undefined || exitCode !== null || signalCode !== null;
  }

  #wake(): void {
    const waiting = this.#waiting;
    this.#waiting = new Set();
    for (const resume of waiting) resume();
  }
}
