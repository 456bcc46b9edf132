import type { Address } from "@fardel/core";
import { formatAddress, sameAddress } from "./address.js";
import type { Observation, Observer } from "./ledger.js";
import type { Medium } from "./medium.js";

/** An {@link Observation} as a line of text. */
export function describeObservation(observation: Observation): string {
  const { frame, leftAtUs, deliveredAtUs, from, to, datagram, fate, copy } = observation;
  const way = `${formatAddress(from)} > ${formatAddress(to)}`;
  const arrival = deliveredAtUs === undefined ? "" : ` at ${deliveredAtUs} µs`;
  return `#${frame} ${leftAtUs} µs ${way} ${datagram.length} bytes ${fate}${arrival}${copy ? " (copy)" : ""}`;
}

/**
 * Writes down what happens on a medium: to compare two runs, to look at what went wrong, or to
 * replay the losses of one path.
 *
 * ```ts
 * const trace = new Trace(medium);
 * …
 * console.log(trace.lines.join("\n"), trace.hash);
 * ```
 */
export class Trace {
  readonly #lines: string[] = [];
  readonly #losses: { frame: number; from: Address; to: Address; lost: boolean }[] = [];
  readonly #stop: () => void;
  #hash = 0x811c9dc5;

  /** Starts to record. */
  constructor(medium: Pick<Medium, "observe">) {
    const record: Observer = (observation) => this.#record(observation);
    this.#stop = medium.observe(record);
  }

  /** One line for each observation, see {@link describeObservation}. */
  get lines(): readonly string[] {
    return this.#lines;
  }

  /**
   * Fingerprint of all that was observed, bytes included: FNV-1a, 32 bits (G. Fowler, L. C. Noll,
   * P. Vo, in the public domain). Two runs with the same fingerprint went the same way.
   */
  get hash(): number {
    return this.#hash >>> 0;
  }

  /**
   * Losses of one path, in the form that `replay.trace` takes: `1` for each datagram that was lost
   * (also by a weak signal, a collision or an outage), `0` for each that arrived, in the order in
   * which they were sent. Copies do not count, and what is still on its way is left out.
   */
  lossTrace(from: Address, to: Address): string {
    return this.#losses
      .filter((entry) => sameAddress(entry.from, from) && sameAddress(entry.to, to))
      .sort((one, other) => one.frame - other.frame)
      .map(({ lost }) => (lost ? "1" : "0"))
      .join("");
  }

  /** Stops recording; what was recorded stays. */
  stop(): void {
    this.#stop();
  }

  #record(observation: Observation): void {
    const line = describeObservation(observation);
    const { frame, from, to, datagram, fate, copy } = observation;
    this.#lines.push(line);
    for (let index = 0; index < line.length; index++) this.#mix(line.charCodeAt(index));
    for (const byte of datagram) this.#mix(byte);
    if (copy) return;
    const lost = fate !== "delivered" && fate !== "corrupted" && fate !== "filtered";
    this.#losses.push({ frame, from: from.slice(), to: to.slice(), lost });
  }

  #mix(value: number): void {
    this.#hash = Math.imul(this.#hash ^ value, 0x01000193);
  }
}
