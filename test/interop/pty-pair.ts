import { type ChildProcess, spawn } from "node:child_process";
import { once } from "node:events";
import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";

/** What socat says when both ends are there. */
const READY = "starting data transfer loop";

/**
 * Two pseudo-terminals that are joined, like serial ports with a cable between them. The paths of
 * the ends are symbolic links in a folder of their own.
 */
export class PtyPair {
  readonly #folder: string;
  #socat: ChildProcess | undefined;
  #plugs = 0;
  /** For the host. A new one after each {@link plug} with `elsewhere`. */
  hostPath = "";
  /** For the board. Stays the same. */
  readonly boardPath: string;

  private constructor(folder: string) {
    this.#folder = folder;
    this.boardPath = join(folder, "board");
  }

  /** @throws `Error` that says how to install socat, when it is missing */
  static async open(): Promise<PtyPair> {
    const pair = new PtyPair(await mkdtemp(join(tmpdir(), "fardel-pty-")));
    try {
      await pair.plug();
    } catch (error) {
      await pair.close();
      throw error;
    }
    return pair;
  }

  /** Put the cable in: at another path for the host, like a USB port that was given a new number. */
  async plug(): Promise<void> {
    this.hostPath = join(this.#folder, `host${this.#plugs++}`);
    const ends = [this.hostPath, this.boardPath].map((path) => `pty,rawer,echo=0,link=${path}`);
    const socat = spawn("socat", ["-d", "-d", ...ends], { stdio: ["ignore", "ignore", "pipe"] });
    this.#socat = socat;
    await new Promise<void>((resolve, reject) => {
      let said = "";
      socat.once("error", (cause) => {
        reject(
          Object.assign(new Error("These tests need socat: apt-get install socat"), { cause }),
        );
      });
      socat.once("exit", () => reject(new Error(`socat ended before it was ready:\n${said}`)));
      socat.stderr?.on("data", (bytes: Buffer) => {
        said += bytes.toString();
        if (said.includes(READY)) resolve();
      });
    });
    socat.stderr?.removeAllListeners("data").resume();
  }

  /** Pull the cable out: both ports are gone. */
  async pull(): Promise<void> {
    const socat = this.#socat;
    this.#socat = undefined;
    if (!socat || socat.exitCode !== null || socat.signalCode !== null) return;
    const exit = once(socat, "exit");
    socat.kill("SIGKILL");
    await exit;
    // What it would have removed itself, had it been let.
    await Promise.all([this.hostPath, this.boardPath].map((path) => rm(path, { force: true })));
  }

  async close(): Promise<void> {
    await this.pull();
    await rm(this.#folder, { recursive: true, force: true });
  }
}
