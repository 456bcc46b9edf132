import { tmpdir } from "node:os";
import { join } from "node:path";
import type { Clock } from "@fardel/core";
import { VirtualClock } from "@fardel/lossy-link";
import type { Context, Output } from "./context.js";
import type { ExitCode } from "./problem.js";
import { run } from "./run.js";

/** Surroundings for a test: output is collected, input is given, Ctrl-C is a call. */
export class TestContext<C extends Clock = VirtualClock> implements Context {
  readonly clock: C;
  readonly input: AsyncIterable<Uint8Array>;
  readonly output: Output;
  /** In a folder that is not there, unless given: never that of whoever runs the tests. */
  readonly peersFile: string;
  /** What was written to each. */
  out = "";
  err = "";
  exitCode: ExitCode | undefined;
  readonly #interruption = new AbortController();
  readonly #watchers = new Set<() => void>();

  constructor(
    options: {
      /** Default: a virtual clock. */
      readonly clock?: C;
      readonly input?: readonly Uint8Array[] | AsyncIterable<Uint8Array>;
      /** Default `false`. */
      readonly isTerminal?: boolean;
      readonly peersFile?: string;
    } = {},
  ) {
    const { clock = new VirtualClock() as Clock as C, input = [], isTerminal = false } = options;
    this.clock = clock;
    this.peersFile = options.peersFile ?? join(tmpdir(), "fardel-no-such-folder", "peers.json");
    this.input = Symbol.asyncIterator in input ? input : iterate(input);
    this.output = {
      out: (text) => {
        this.out += text;
        this.#tell();
      },
      err: (text) => {
        this.err += text;
        this.#tell();
      },
      isTerminal,
      columns: 80,
    };
  }

  get signal(): AbortSignal {
    return this.#interruption.signal;
  }

  /** Always the same instant, so that names and heads are known. */
  today(): Date {
    return new Date("2026-04-18T03:20:00Z");
  }

  exitWith(code: ExitCode): void {
    this.exitCode = code;
  }

  /** As Ctrl-C does. */
  interrupt(): void {
    this.#interruption.abort();
  }

  /** The lines of JSON on `out`. */
  get objects(): Record<string, unknown>[] {
    const lines = this.out.split("\n").filter((line) => line !== "");
    return lines.map((line) => JSON.parse(line) as Record<string, unknown>);
  }

  /** Resolves when `out` and `err` together contain the text. */
  said(text: string): Promise<void> {
    return new Promise((resolve) => {
      const look = () => {
        if (!`${this.out}${this.err}`.includes(text)) return;
        this.#watchers.delete(look);
        resolve();
      };
      this.#watchers.add(look);
      look();
    });
  }

  #tell(): void {
    for (const look of [...this.#watchers]) look();
  }
}

/** Standard input with a person at it. */
export class Typist implements AsyncIterable<Uint8Array> {
  readonly #typed: Uint8Array[] = [];
  #isOver = false;
  #wake = () => {};

  /** A line, with its end. */
  type(line: string): void {
    this.#typed.push(new TextEncoder().encode(`${line}\n`));
    this.#wake();
  }

  /** As Ctrl-D does. */
  end(): void {
    this.#isOver = true;
    this.#wake();
  }

  async *[Symbol.asyncIterator](): AsyncGenerator<Uint8Array> {
    for (;;) {
      const next = this.#typed.shift();
      if (next) yield next;
      else if (this.#isOver) return;
      else
        await new Promise<void>((resolve) => {
          this.#wake = resolve;
        });
    }
  }
}

/**
 * Runs a command, and lets virtual time pass until it has ended. Files and the like take real time,
 * during which the clock may stand still.
 */
export async function runToEnd(args: readonly string[], context: TestContext): Promise<ExitCode> {
  return passTime(context.clock, run(args, context));
}

/** Lets virtual time pass until the promise is settled. */
export async function passTime<T>(clock: VirtualClock, promise: Promise<T>): Promise<T> {
  let isOver = false;
  const over = promise.finally(() => {
    isOver = true;
  });
  over.catch(() => {});
  let isWaitingForFiles = true;
  while (!isOver) {
    // In small steps: what happens on a disk must not find that hours have passed.
    await clock.run({ until: () => isOver, untilUs: clock.nowUs() + STEP_US });
    await new Promise((resolve) => setImmediate(resolve));
    if (isWaitingForFiles) isWaitingForFiles = await filesAreDone();
  }
  return over;
}

const STEP_US = 1000;
/** A file that never comes to an end, such as a pipe, is not waited for. */
const FILE_TURNS_MAX = 20_000;

/** Time stands still while a disk is at work, however busy the machine is. @returns false if it took too long */
async function filesAreDone(): Promise<boolean> {
  for (let turn = 0; turn < FILE_TURNS_MAX; turn++) {
    if (!process.getActiveResourcesInfo().some((name) => name.startsWith("FSReq"))) return true;
    await new Promise((resolve) => setImmediate(resolve));
  }
  return false;
}

async function* iterate(items: readonly Uint8Array[]): AsyncIterable<Uint8Array> {
  yield* items;
}
