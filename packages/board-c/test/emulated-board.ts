import { type ChildProcess, spawn, spawnSync } from "node:child_process";
import { once } from "node:events";
import { mkdtemp, rm } from "node:fs/promises";
import { createServer, type Server, type Socket } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

const ROOT = fileURLToPath(new URL("..", import.meta.url));

/** What `arm/` is built into. */
export type ImageName = "station" | "bridge" | "row";

/**
 * Builds what is out of date.
 * @throws Error with what the compiler says
 */
export function buildImages(): void {
  const { status, stdout, stderr, error } = spawnSync("make", ["-C", ROOT, "images"], {
    encoding: "utf8",
  });
  if (status !== 0) throw new Error(`The images were not built: ${error ?? stdout + stderr}`);
}

/** One end of a serial line: the emulator, or whoever else, connects to its path. */
class Plug {
  readonly connected: Promise<Socket>;

  private constructor(
    readonly path: string,
    readonly server: Server,
  ) {
    this.connected = once(server, "connection").then(([stream]) => stream as Socket);
  }

  static async at(path: string): Promise<Plug> {
    const server = createServer();
    const plug = new Plug(path, server);
    server.listen(path);
    await once(server, "listening");
    return plug;
  }
}

/** A board that an emulator plays, as a process. */
export class EmulatedBoard {
  readonly #process: ChildProcess;
  readonly #plugs: readonly Plug[];
  readonly #folder: string;
  #said = "";
  #isWanted = true;
  readonly #failed: Promise<never>;

  private constructor(image: ImageName, seed: number, plugs: readonly Plug[], folder: string) {
    this.#plugs = plugs;
    this.#folder = folder;
    const ports = plugs.flatMap(({ path }) => ["-serial", `unix:${path}`]);
    this.#process = spawn(join(ROOT, "arm/emulate"), [image, ...ports], {
      env: { ...process.env, SEED: String(seed) },
      stdio: ["ignore", "pipe", "pipe"],
    });
    for (const stream of [this.#process.stdout, this.#process.stderr]) {
      stream?.on("data", (bytes: Buffer) => {
        this.#said += bytes.toString();
      });
    }
    this.#failed = new Promise((_resolve, reject) => {
      const tell = (why: string) => {
        if (this.#isWanted)
          reject(new Error(`The board "${image}" has ended (${why}): ${this.#said}`));
      };
      this.#process.once("error", (error) => tell(String(error)));
      this.#process.once("close", (code, signal) => tell(String(code ?? signal)));
    });
    // It may end while nobody waits; whoever waits next is told.
    this.#failed.catch(() => {});
  }

  /**
   * @param seed - of its random numbers
   * @param ports - how many of its serial ports are led out, 1 or 2
   */
  static async start(image: ImageName, seed: number, ports: number): Promise<EmulatedBoard> {
    const folder = await mkdtemp(join(tmpdir(), "fardel-board-"));
    const paths = Array.from({ length: ports }, (_, port) => join(folder, `port${port}`));
    const plugs = await Promise.all(paths.map((path) => Plug.at(path)));
    return new EmulatedBoard(image, seed, plugs, folder);
  }

  /** What goes in and out of one of its serial ports. */
  port(number: number): Promise<Socket> {
    const plug = this.#plugs[number];
    if (!plug) throw new Error(`The board has no port ${number}.`);
    return this.whileItRuns(plug.connected);
  }

  /** What was promised, or a rejection if the board ends before. */
  whileItRuns<T>(promised: Promise<T>): Promise<T> {
    return Promise.race([promised, this.#failed]);
  }

  async stop(): Promise<void> {
    this.#isWanted = false;
    if (this.#process.exitCode === null && this.#process.signalCode === null) {
      const exit = once(this.#process, "exit");
      this.#process.kill("SIGKILL");
      await exit;
    }
    for (const { server } of this.#plugs) server.close();
    await rm(this.#folder, { recursive: true, force: true });
  }
}
