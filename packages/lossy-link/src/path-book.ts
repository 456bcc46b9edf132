import type { Address } from "@fardel/core";
import { type AddressKey, addressKey, formatAddress } from "./address.js";
import type { Delivery } from "./delivery.js";
import { type Impairments, mergeImpairments } from "./impairments.js";
import type { Station } from "./link.js";
import { Path } from "./path.js";
import type { Propagation } from "./propagation.js";
import type { Random } from "./random.js";

/** What a medium remembers of an address, also while there is no station with it. */
export interface Origin {
  readonly address: Address;
  /** By destination. */
  readonly paths: Map<AddressKey, Path>;
  /** For the back-off of this station. */
  readonly backoff: Random;
}

/** All paths of a medium: made when first used, configured anew when something changed. */
export class PathBook {
  readonly #random: Random;
  readonly #propagation: Propagation | undefined;
  /** What is done with what arrives on any of them. */
  readonly #whenDue: (delivery: Delivery) => void;
  readonly #origins = new Map<AddressKey, Origin>();
  #impairments: Impairments;
  #lastMerged: {
    readonly changes: number;
    readonly layers: readonly Impairments[];
    readonly merged: Impairments;
  } = { changes: -1, layers: [], merged: {} };
  #changes = 0;
  #version = 0;

  constructor(
    random: Random,
    propagation: Propagation | undefined,
    impairments: Impairments,
    whenDue: (delivery: Delivery) => void,
  ) {
    this.#random = random;
    this.#whenDue = whenDue;
    this.#propagation = propagation;
    this.#impairments = impairments;
  }

  /**
   * A number greater than all before it, to mark a state of settings. The sum of three such marks
   * (medium, sender, receiver) grows with each change to any of them: that is how a path knows in
   * one comparison that it is out of date, without being looked for when settings change.
   */
  nextVersion(): number {
    return ++this.#changes;
  }

  setImpairments(impairments: Impairments): void {
    this.#impairments = impairments;
    this.#version = this.nextVersion();
  }

  setPathImpairments(from: Address, to: Address, impairments: Impairments): void {
    const path = this.#path(this.origin(from), to);
    path.own = impairments;
    path.version = -1;
  }

  /** The path from one station to another, as it is configured now. */
  between(from: Station, to: Station, nowUs: number): Path {
    const path = from.origin.paths.get(to.key) ?? this.#path(from.origin, to.localAddress);
    const version = this.#version + from.version + to.version;
    if (path.version !== version) {
      this.#configure(path, from, to, nowUs);
      path.version = version;
    }
    return path;
  }

  origin(address: Address): Origin {
    const key = addressKey(address);
    let origin = this.#origins.get(key);
    if (origin === undefined) {
      const backoff = this.#random.stream(`back-off/${formatAddress(address)}`);
      origin = { address: address.slice(), paths: new Map(), backoff };
      this.#origins.set(key, origin);
    }
    return origin;
  }

  #configure(path: Path, from: Station, to: Station, nowUs: number): void {
    // The nearer to the path, the later: later ones prevail.
    path.pipeline.configure(this.#merged(from.outgoing, to.incoming, path.own), nowUs);
    path.tune(from.radioChannel);
    if (this.#propagation !== undefined && from.position && to.position) {
      path.place(this.#propagation, from.position, to.position, this.#random);
    }
  }

  /** Many paths in a row have the same settings: they share what comes of them. */
  #merged(...layers: Impairments[]): Impairments {
    const all = [this.#impairments, ...layers].filter(hasSettings);
    const last = this.#lastMerged;
    const isSame =
      last.changes === this.#changes &&
      last.layers.length === all.length &&
      all.every((layer, at) => layer === last.layers[at]);
    if (isSame) return last.merged;
    const merged = mergeImpairments(...all);
    this.#lastMerged = { changes: this.#changes, layers: all, merged };
    return merged;
  }

  #path(origin: Origin, to: Address): Path {
    const key = addressKey(to);
    let path = origin.paths.get(key);
    if (path === undefined) {
      path = new Path(origin.address, this.origin(to).address, this.#random, this.#whenDue);
      origin.paths.set(key, path);
    }
    return path;
  }
}

function hasSettings(layer: Impairments): boolean {
  for (const _ in layer) return true;
  return false;
}
