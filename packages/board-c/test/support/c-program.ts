/**
 * How tests call C.
 *
 * A harness, `harness/<name>-harness.c`, includes `harness.h` and exports functions of ints:
 *
 * ```c
 * EXPORT int count_twice(int count) { return 2 * TELL(1, 0, count, INPUT, count); }
 * ```
 *
 * ```ts
 * const program = wasmProgram("example");
 * program.call((what, value, bytes) => bytes.length, "count_twice", [3], Uint8Array.of(1, 2, 3)); // 6
 * ```
 *
 * - The bytes of a call lie in `INPUT` when the function begins; a call from within a callback overwrites
 *   them.
 * - `TELL(what, number, value, bytes, count)` calls the listener of the call that is going on. The listener
 *   answers with an int, which `TELL` returns, or with bytes: they then lie in `ANSWER`, and `TELL` returns
 *   their count. It may call functions of the same program.
 * - The same harness runs as WebAssembly (`wasmProgram`: quick, in this process) and as a program of the
 *   system (`nativeProgram`: with sanitizers, or for a processor of the other byte order). All calls are
 *   synchronous. Every program has a memory of its own.
 *
 * What is built from which sources, and how, stands in `build.ts`.
 */

/** @returns an int, or the bytes that are asked for; `bytes` is a copy */
export type Told = (
  what: number,
  value: number,
  bytes: Uint8Array,
  number: number,
) => number | Uint8Array;

/** A harness that runs. */
export interface CProgram {
  /**
   * Calls a function of the harness.
   * @param told - what it calls back
   * @param ints - its arguments, each a signed or unsigned 32-bit number
   * @param bytes - what it finds in its input buffer, at most 65536
   * @returns its result, signed
   * @throws Error with the report of a sanitizer, or if the program has crashed
   * @throws whatever `told` throws; the program is not usable any more
   */
  call(told: Told, name: string, ints: readonly number[], bytes?: Uint8Array): number;
  /** Whether it can be called: not closed, nor ended by an error. */
  readonly isUsable: boolean;
  /** Ends a program of the system; nothing else needs it. */
  close(): void;
}

/** Of `INPUT` and `ANSWER`. */
export const BUFFER_BYTES = 65_536;

export function checkCall(ints: readonly number[], bytes: Uint8Array | undefined): void {
  if (ints.length > 8) throw new Error("A function of a harness takes 8 arguments at most.");
  if ((bytes?.length ?? 0) > BUFFER_BYTES)
    throw new Error(`A call takes ${BUFFER_BYTES} bytes at most, not ${bytes?.length}.`);
}
