import { addressKey } from "../keys/key-ring.js";

/** What a pairing host tells about itself. */
export interface HostState {
  /** With whom it has an exchange under way. */
  readonly partner: Uint8Array | undefined;
  /** Make room for another one. @returns whether it did: it was only answering the last questions */
  retire(): boolean;
}

/**
 * Which pairings are under way on one endpoint. With one address there is one at a time: two at once, each begun by
 * one side, would leave the sides with different ideas of which key is the newer one.
 */
export class UnderWay {
  readonly #initiating = new Set<string>();
  host: HostState | undefined;

  /** @returns whether an exchange with this address may begin; then call {@link UnderWay.leave} at its end */
  enter(address: Uint8Array): boolean {
    const key = addressKey(address);
    const partner = this.host?.partner;
    if (this.#initiating.has(key) || (partner && addressKey(partner) === key)) return false;
    this.#initiating.add(key);
    return true;
  }

  leave(address: Uint8Array): void {
    this.#initiating.delete(addressKey(address));
  }

  isInitiating(address: Uint8Array): boolean {
    return this.#initiating.has(addressKey(address));
  }
}

const endpoints = new WeakMap<object, UnderWay>();

export function underWayOn(endpoint: object): UnderWay {
  const known = endpoints.get(endpoint) ?? new UnderWay();
  endpoints.set(endpoint, known);
  return known;
}
