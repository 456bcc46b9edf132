import { sameBytes } from "../host/same-bytes.js";
import { RADIO_SILENCE_US } from "../limits.js";

/** A datagram that is with the bridge. Its arrays are the queue's own. */
export interface HeldDatagram {
  readonly to: Uint8Array;
  readonly datagram: Uint8Array;
}

/** A datagram that is no longer with the bridge. */
export interface Departed {
  /** Number of its token; `undefined` if it belongs to an earlier session. */
  readonly number: number | undefined;
}

interface Place {
  readonly to: Uint8Array;
  readonly bytes: Uint8Array;
  length: number;
  number: number | undefined;
  /** Name of the transmission while it is with the radio. */
  transmission: number | undefined;
  /** When the radio is held to be silent about it. */
  silentUs: number;
}

/**
 * The datagrams that the bridge holds, in the order of their tokens: first they wait, then they are
 * with the radio, and keep their place until it has said what became of them.
 *
 * @see BRIDGE.md, section 7
 */
export class SendQueue {
  /** All places there are: taken ones in order, then free ones. */
  readonly #places: Place[];
  #count = 0;
  #withRadio = 0;
  #transmissions = 0;

  /** @param queue - places */
  constructor(queue: number, addressBytes: number, mtuBytes: number) {
    this.#places = Array.from({ length: queue }, () => ({
      to: new Uint8Array(addressBytes),
      bytes: new Uint8Array(mtuBytes),
      length: 0,
      number: undefined,
      transmission: undefined,
      silentUs: 0,
    }));
  }

  /** Datagrams held. */
  get count(): number {
    return this.#count;
  }

  /** Those of them that are with the radio. */
  get withRadio(): number {
    return this.#withRadio;
  }

  /** When the radio is held to be silent about the first one. */
  get silentUs(): number {
    return this.#taken().reduce(
      (earliest, { transmission, silentUs }) =>
        transmission === undefined ? earliest : Math.min(earliest, silentUs),
      Number.POSITIVE_INFINITY,
    );
  }

  /**
   * @param number - of its token
   * @param datagram - no longer than the radio takes
   * @returns `false` if there is no place
   */
  push(number: number, to: Uint8Array, datagram: Uint8Array): boolean {
    const place = this.#places[this.#count];
    if (!place) return false;
    place.to.set(to);
    place.bytes.set(datagram);
    place.length = datagram.length;
    place.number = number;
    this.#count++;
    return true;
  }

  /** The next one for the radio. */
  next(): HeldDatagram | undefined {
    const place = this.#nextPlace();
    return place && { to: place.to, datagram: place.bytes.subarray(0, place.length) };
  }

  /** The next one goes to the radio now. @returns the name of this transmission */
  hand(nowUs: number): number {
    const place = this.#nextPlace()!;
    this.#transmissions = (this.#transmissions + 1) >>> 0;
    place.transmission = this.#transmissions;
    place.silentUs = nowUs + RADIO_SILENCE_US;
    this.#withRadio++;
    return place.transmission;
  }

  /** The next one does not go to the radio: its place is free. */
  drop(): Departed | undefined {
    return this.#free(this.#taken().findIndex(({ transmission }) => transmission === undefined));
  }

  /** Whether a datagram to this address is with the radio. */
  isWithRadio(to: Uint8Array): boolean {
    return this.#taken().some(
      (place) => place.transmission !== undefined && sameBytes(place.to, to),
    );
  }

  /** The radio has said what became of it. @returns `undefined` for one that was given up before */
  finish(transmission: number): Departed | undefined {
    return this.#free(this.#taken().findIndex((place) => place.transmission === transmission));
  }

  /** The next one that the radio is silent about; it is given up. */
  giveUp(nowUs: number): Departed | undefined {
    return this.#free(
      this.#taken().findIndex(
        ({ transmission, silentUs }) => transmission !== undefined && silentUs <= nowUs,
      ),
    );
  }

  /**
   * A session begins: what waits is forgotten. What is with the radio keeps its place, and belongs
   * to nobody.
   */
  empty(): void {
    for (let index = this.#count - 1; index >= 0; index--) {
      const place = this.#places[index]!;
      place.number = undefined;
      if (place.transmission === undefined) this.#free(index);
    }
  }

  #taken(): Place[] {
    return this.#places.slice(0, this.#count);
  }

  #nextPlace(): Place | undefined {
    return this.#taken().find(({ transmission }) => transmission === undefined);
  }

  #free(index: number): Departed | undefined {
    const [place] = index < 0 ? [] : this.#places.splice(index, 1);
    if (!place) return undefined;
    const { number } = place;
    if (place.transmission !== undefined) this.#withRadio--;
    place.transmission = undefined;
    place.number = undefined;
    this.#places.push(place);
    this.#count--;
    return { number };
  }
}
