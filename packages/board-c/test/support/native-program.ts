import { spawn, spawnSync } from "node:child_process";
import { closeSync, mkdtempSync, openSync, readSync, rmSync, writeSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { build, type Defines, exportsOf, type HarnessName, type Target } from "./build.js";
import { type CProgram, checkCall, type Told } from "./c-program.js";

const FROM_TEST_CALL = 1;
const FROM_TEST_ANSWER = 2;
const TO_TEST_RESULT = 1;
const ARGUMENTS = 8;
/** As much of what a program says of its end is shown. */
const ERRORS_BYTES_MAX = 16_384;

/** Programs that run on a processor which is not this one. */
const EMULATORS: Readonly<Partial<Record<Target, string>>> = { "big-endian": "qemu-ppc" };

/** How a harness runs as a program of the system. */
export type NativeTarget = Exclude<Target, "wasm">;

/**
 * A harness as a process of its own: with sanitizers, or for another processor. Close it when it is done.
 */
export function nativeProgram(
  harness: HarnessName,
  target: NativeTarget = "sanitized",
  defines: Defines = [],
): CProgram {
  return new NativeProgram(harness, build(harness, target, defines), EMULATORS[target]);
}

/** Calls go through two named pipes, which this side writes and reads without giving way. */
class NativeProgram implements CProgram {
  readonly #functions: ReadonlyMap<string, number>;
  readonly #toChild: number;
  readonly #fromChild: number;
  readonly #errors: number;
  readonly #head = Buffer.alloc(4 * (3 + ARGUMENTS));
  readonly #ints = Buffer.alloc(16);
  #isOpen = true;

  constructor(
    readonly harness: HarnessName,
    file: string,
    emulator: string | undefined,
  ) {
    this.#functions = new Map(exportsOf(harness).map(({ name }, index) => [name, index]));
    const folder = mkdtempSync(join(tmpdir(), "fardel-c-"));
    const calls = join(folder, "calls");
    const answers = join(folder, "answers");
    const made = spawnSync("mkfifo", [calls, answers], { encoding: "utf8" });
    if (made.status !== 0) throw new Error(`mkfifo: ${made.error?.message ?? made.stderr}`);
    // Opening one end of a pipe waits for the other end, unless both are opened at once.
    const both = [openSync(calls, "r+"), openSync(answers, "r+")] as const;
    const childIn = openSync(calls, "r");
    const childOut = openSync(answers, "w");
    this.#errors = openSync(join(folder, "errors"), "a+");
    this.#toChild = openSync(calls, "w");
    this.#fromChild = openSync(answers, "r");
    // What is open needs no name any more, and nothing is left behind however this process ends.
    rmSync(folder, { recursive: true, force: true });
    const command = emulator === undefined ? [file] : [emulator, file];
    const child = spawn(command[0] as string, command.slice(1), {
      stdio: [childIn, childOut, this.#errors],
      // Nothing is allocated by the library; what the harness leaves behind at the end is no fault.
      env: { ...process.env, ASAN_OPTIONS: "detect_leaks=0", UBSAN_OPTIONS: "print_stacktrace=1" },
    });
    child.on("error", () => {});
    child.unref();
    // Only the child holds its ends now: when it dies, reading comes to an end.
    for (const end of [...both, childIn, childOut]) closeSync(end);
  }

  get isUsable(): boolean {
    return this.#isOpen;
  }

  call(told: Told, name: string, ints: readonly number[], bytes?: Uint8Array): number {
    checkCall(ints, bytes);
    const place = this.#functions.get(name);
    if (place === undefined) throw new Error(`The harness has no function ${name}.`);
    if (!this.#isOpen) throw new Error("The program is closed.");
    const head = this.#head;
    head.writeInt32LE(FROM_TEST_CALL, 0);
    head.writeInt32LE(place, 4);
    for (let at = 0; at < ARGUMENTS; at++) head.writeInt32LE((ints[at] ?? 0) | 0, 8 + 4 * at);
    head.writeInt32LE(bytes?.length ?? 0, 8 + 4 * ARGUMENTS);
    this.#write(head);
    if (bytes) this.#write(bytes);
    try {
      while (this.#readInts(1)[0] !== TO_TEST_RESULT) this.#answer(told);
      return this.#readInts(1)[0] as number;
    } catch (error) {
      this.close();
      throw error;
    }
  }

  close(): void {
    if (!this.#isOpen) return;
    this.#isOpen = false;
    // Its input ends, and so does the program.
    for (const end of [this.#toChild, this.#fromChild, this.#errors]) closeSync(end);
  }

  #answer(told: Told): void {
    const [what = 0, number = 0, value = 0, count = 0] = this.#readInts(4);
    const answer = told(what, value, this.#read(new Uint8Array(count)), number);
    const bytes = typeof answer === "number" ? undefined : answer;
    const head = Buffer.alloc(12);
    head.writeInt32LE(FROM_TEST_ANSWER, 0);
    head.writeInt32LE(typeof answer === "number" ? answer | 0 : answer.length, 4);
    head.writeInt32LE(bytes?.length ?? 0, 8);
    this.#write(head);
    if (bytes) this.#write(bytes);
  }

  #write(bytes: Uint8Array): void {
    try {
      for (let at = 0; at < bytes.length; ) at += writeSync(this.#toChild, bytes, at);
    } catch {
      this.#fail();
    }
  }

  #readInts(count: number): number[] {
    const ints = this.#read(this.#ints.subarray(0, 4 * count));
    return Array.from({ length: count }, (_, index) => ints.readInt32LE(4 * index));
  }

  #read<T extends Uint8Array>(into: T): T {
    for (let at = 0; at < into.length; ) {
      const count = readSync(this.#fromChild, into, at, into.length - at, null);
      if (count === 0) this.#fail();
      at += count;
    }
    return into;
  }

  #fail(): never {
    const bytes = Buffer.alloc(ERRORS_BYTES_MAX);
    const errors = bytes.subarray(0, readSync(this.#errors, bytes, 0, bytes.length, 0)).toString();
    this.close();
    throw new Error(`The ${this.harness} harness has ended. ${errors || "It says nothing."}`);
  }
}
