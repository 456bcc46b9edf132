/** What is counted besides bytes that are copied: each step through a table. */
const STEPS = [
  [Map.prototype, "get"],
  [Map.prototype, "set"],
  [Map.prototype, "delete"],
  [Set.prototype, "add"],
] as const;

/**
 * Work that does not depend on the machine: steps through tables, and bytes copied, while it runs. Real
 * time would show the same, but no test may depend on it.
 */
export class WorkMeter {
  /** Bytes of all datagrams that were measured, and how many these were. */
  bytes = 0;
  datagrams = 0;
  /** Work for all of them. */
  measured = 0;
  #work = 0;
  #restore: (() => void)[] = [];

  /** Count from now on, in this whole process. */
  start(): void {
    const note = (work: number) => {
      this.#work += work;
    };
    for (const [prototype, name] of STEPS) {
      this.#wrap(prototype, name, () => note(1));
    }
    this.#wrap(Uint8Array.prototype, "set", (_target, [source]) => note(lengthOf(source)));
    this.#wrap(Uint8Array.prototype, "slice", (target) => note(lengthOf(target)));
  }

  stop(): void {
    for (const restore of this.#restore.splice(0)) restore();
  }

  /** Count what is done for one datagram. */
  measure(datagramBytes: number, handle: () => void): void {
    const before = this.#work;
    handle();
    this.measured += this.#work - before;
    this.bytes += datagramBytes;
    this.datagrams++;
  }

  /** Work for a byte, less a fixed amount for each datagram. */
  perByte(freePerDatagram: number): number {
    return (this.measured - freePerDatagram * this.datagrams) / Math.max(1, this.bytes);
  }

  #wrap(prototype: object, name: string, count: (target: unknown, args: unknown[]) => void): void {
    const original: unknown = Reflect.get(prototype, name);
    if (typeof original !== "function") throw new Error(`There is no method ${name} to count.`);
    const counted = function (this: unknown, ...args: unknown[]): unknown {
      count(this, args);
      return Reflect.apply(original, this, args);
    };
    Reflect.set(prototype, name, counted);
    // Typed arrays inherit theirs: setting made it their own.
    this.#restore.push(() => {
      Reflect.set(prototype, name, original);
    });
  }
}

function lengthOf(bytes: unknown): number {
  return bytes instanceof Uint8Array ? bytes.length : 0;
}
