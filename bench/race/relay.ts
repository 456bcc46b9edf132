import { type ChildProcess, spawn, spawnSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { createInterface } from "node:readline";
import { fileURLToPath } from "node:url";
import { DEVICE } from "./network.js";

/** What a relay has carried; pairs are for what the first station sent, and the second. */
export interface RelayStatistics {
  /** On air to the end, lost ones among them. */
  readonly frames: readonly [number, number];
  readonly bytes: readonly [number, number];
  readonly lost: readonly [number, number];
  /** For which there was no place in the queue. */
  readonly dropped: readonly [number, number];
  readonly queuedMax: readonly [number, number];
  /** Longer than a frame of this channel: there should be none. */
  readonly oversized: number;
  /** From the end of a frame until it was handed on, µs. */
  readonly lateUsMax: number;
  readonly lateUsMean: number;
  /** Whether the system runs it ahead of everything else. */
  readonly isRealtime: boolean;
}

const PAIRS = ["frames", "bytes", "lost", "dropped", "queuedMax"];
const NUMBERS = ["oversized", "lateUsMax", "lateUsMean"];

/** @throws `Error` if the line is not what a relay prints at its end */
export function parseStatistics(line: string): RelayStatistics {
  let value: unknown;
  try {
    value = JSON.parse(line);
  } catch {
    // Told below.
  }
  if (!isStatistics(value)) {
    throw new Error(`The relay ended without its statistics: ${JSON.stringify(line)}`);
  }
  return value;
}

function isStatistics(value: unknown): value is RelayStatistics {
  if (typeof value !== "object" || value === null) return false;
  const fields = new Map<string, unknown>(Object.entries(value));
  const isCount = (field: unknown) => Number.isSafeInteger(field) && Number(field) >= 0;
  const isPair = (field: unknown) =>
    Array.isArray(field) && field.length === 2 && field.every(isCount);
  return (
    PAIRS.every((name) => isPair(fields.get(name))) &&
    NUMBERS.every((name) => isCount(fields.get(name))) &&
    typeof fields.get("isRealtime") === "boolean"
  );
}

const SIGNALS = ["SIGINT", "SIGTERM"] as const;
/** As a shell counts: 128 and the number of the signal. So the event `exit` comes, and cleans up. */
const exitOnSignal = (_signal: string, number: number) => process.exit(128 + number);

/** The relay's program, compiled into a folder of its own that is removed however this process ends. */
export class RelayProgram {
  readonly #folder: string;
  readonly path: string;
  readonly #remove = () => rmSync(this.#folder, { recursive: true, force: true });

  /** @throws `Error` with what the compiler said */
  constructor() {
    this.#folder = mkdtempSync(join(tmpdir(), "fardel-relay-"));
    this.path = join(this.#folder, "relay");
    process.once("exit", this.#remove);
    for (const signal of SIGNALS) process.on(signal, exitOnSignal);
    const sources = ["air.c", "relay.c"].map((name) =>
      fileURLToPath(new URL(`./${name}`, import.meta.url)),
    );
    const warnings = ["-Wall", "-Wextra", "-Wshadow", "-pedantic", "-Werror"];
    const args = ["-std=c99", "-O2", ...warnings, ...sources, "-o", this.path];
    const { status, stderr, error } = spawnSync("gcc", args, { encoding: "utf8" });
    if (status === 0) return;
    this.remove();
    throw new Error(`The relay could not be compiled:\n${error?.message ?? stderr}`);
  }

  remove(): void {
    process.off("exit", this.#remove);
    for (const signal of SIGNALS) process.off(signal, exitOnSignal);
    this.#remove();
  }
}

export interface AirOptions {
  /** 0 to 1, each way. */
  readonly loss: number;
  readonly seed: number;
  /** Places in the queue of each station, the frame on air among them; 1 to 1024. */
  readonly queueFrames: number;
  /** Who goes next: whose frame has waited longest since it was handed over, or both in turn. */
  readonly order: "first-come" | "in-turn";
}

/** Arguments of the relay that say what its air is like. */
export function airArguments({ loss, seed, queueFrames, order }: AirOptions): string[] {
  const numbers = ["-p", String(loss), "-s", String(seed), "-q", String(queueFrames)];
  return order === "in-turn" ? [...numbers, "-t"] : numbers;
}

/** A relay that runs. It ends when {@link Relay.end} is called, and when this process ends. */
export class Relay {
  readonly #process: ChildProcess;
  readonly #lines: AsyncIterator<string>;
  readonly #closed: Promise<unknown>;
  #errors = "";

  private constructor(path: string, args: readonly string[]) {
    this.#process = spawn(path, args, { stdio: ["pipe", "pipe", "pipe"] });
    // Also when it could not be started, after the event that says so.
    this.#closed = new Promise((resolve) => this.#process.once("close", resolve));
    this.#process.on("error", (error) => {
      this.#errors += error.message;
    });
    const { stdin, stdout, stderr } = this.#process;
    if (!stdin || !stdout || !stderr) throw new Error("The relay was started without its pipes.");
    stdin.on("error", () => {});
    stderr.on("data", (bytes: Buffer) => {
      this.#errors += bytes.toString();
    });
    this.#lines = createInterface({ input: stdout })[Symbol.asyncIterator]();
  }

  /** @param namespaces - paths of theirs: of the first station, and the second */
  static async start(
    program: RelayProgram,
    air: AirOptions,
    namespaces: readonly [string, string],
  ): Promise<Relay> {
    const relay = new Relay(program.path, [...airArguments(air), "-d", DEVICE, ...namespaces]);
    if ((await relay.#line()) !== "ready") {
      throw new Error(`The relay did not start. ${relay.#errors.trim()}`);
    }
    return relay;
  }

  /** Whether its process is gone, and the devices are free. */
  get hasEnded(): boolean {
    return this.#process.exitCode !== null || this.#process.signalCode !== null;
  }

  /** Ends it at once, what is still queued is gone; resolves when the devices are free again. */
  async end(): Promise<RelayStatistics> {
    this.#process.stdin?.end();
    const line = await this.#line();
    await this.#closed;
    return parseStatistics(line);
  }

  async #line(): Promise<string> {
    const { value } = await this.#lines.next();
    return value ?? "";
  }
}
