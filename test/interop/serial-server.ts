import { type ChildProcess, spawn } from "node:child_process";
import { once } from "node:events";
import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";

/** A pseudo-terminal that is served over TCP, to one client. */
export class SerialServer {
  readonly #socat: ChildProcess;
  readonly #folder: string;
  /** TCP port on this computer. */
  tcpPort = 0;

  private constructor(socat: ChildProcess, folder: string) {
    this.#socat = socat;
    this.#folder = folder;
  }

  /** Path for the board. */
  get boardPath(): string {
    return join(this.#folder, "board");
  }

  static async open(): Promise<SerialServer> {
    const folder = await mkdtemp(join(tmpdir(), "fardel-served-"));
    const board = `pty,rawer,echo=0,link=${join(folder, "board")}`;
    const socat = spawn("socat", ["-d", "-d", board, "tcp-listen:0,bind=127.0.0.1"], {
      stdio: ["ignore", "ignore", "pipe"],
    });
    const server = new SerialServer(socat, folder);
    await new Promise<void>((resolve, reject) => {
      let said = "";
      socat.once("error", reject);
      socat.once("exit", () => reject(new Error(`socat ended before it listened:\n${said}`)));
      socat.stderr.on("data", (bytes: Buffer) => {
        said += bytes.toString();
        server.tcpPort = Number(/listening on .*:(\d+)/.exec(said)?.[1] ?? 0);
        if (server.tcpPort > 0) resolve();
      });
    });
    return server;
  }

  async close(): Promise<void> {
    if (this.#socat.exitCode === null && this.#socat.signalCode === null) {
      const exit = once(this.#socat, "exit");
      this.#socat.kill("SIGKILL");
      await exit;
    }
    await rm(this.#folder, { recursive: true, force: true });
  }
}
