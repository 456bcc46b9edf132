import type { Observation } from "@fardel/lossy-link";
import type { Mail } from "./mail-book.js";
import type { Watcher } from "./run-once.js";
import { stationOf } from "./stations.js";

/** Datagrams that are kept; further ones are counted. */
export const DATAGRAMS_KEPT_MAX = 5000;
/** Messages that are kept; further ones are counted. */
export const MAILS_KEPT_MAX = 500;

/** A datagram at the moment at which it left the air. Stations: 0 is the gateway. */
export interface AirDatagram {
  readonly atUs: number;
  readonly from: number;
  readonly bytes: number;
  /** Whole and unaltered. */
  readonly hasArrived: boolean;
}

/** Keeps what was on the air in one run, up to a limit. */
export class AirLog implements Watcher {
  readonly #datagrams: AirDatagram[] = [];
  readonly #mails: Mail[] = [];
  #datagramsInAll = 0;
  #mailsInAll = 0;

  /** In the order of time. */
  get datagrams(): readonly AirDatagram[] {
    return this.#datagrams;
  }

  /** In the order in which they were sent; each knows when it was delivered. */
  get mails(): readonly Mail[] {
    return this.#mails;
  }

  /** Kept or not. */
  get datagramsInAll(): number {
    return this.#datagramsInAll;
  }

  /** Kept or not. */
  get mailsInAll(): number {
    return this.#mailsInAll;
  }

  sent(mail: Mail): void {
    if (++this.#mailsInAll <= MAILS_KEPT_MAX) this.#mails.push(mail);
  }

  observed({ copy, fate, leftAtUs, from, datagram }: Observation): void {
    // It was on the air once, however often it is handed over.
    if (copy || ++this.#datagramsInAll > DATAGRAMS_KEPT_MAX) return;
    this.#datagrams.push({
      atUs: leftAtUs,
      from: stationOf(from),
      bytes: datagram.length,
      hasArrived: fate === "delivered",
    });
  }

  delivered(): void {}
  ended(): void {}
  breached(): void {}
}
