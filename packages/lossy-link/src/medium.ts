import type { Address } from "@fardel/core";
import { addressKey, formatAddress } from "./address.js";
import { Carrier } from "./carrier.js";
import { LossyLinkError } from "./errors.js";
import { checkImpairments, type Impairments, mergeImpairments } from "./impairments.js";
import type { MediumStatistics, Observer } from "./ledger.js";
import { type LossyLink, Station, type StationOptions } from "./link.js";
import { type MediumOptions, resolveSettings } from "./medium-settings.js";
import { checkPosition } from "./propagation.js";
import { checkAddress, checkFields, checkInteger, checkIntervals } from "./validation.js";

const STATION_FIELDS = [
  "address",
  "position",
  "radioChannel",
  "outgoing",
  "incoming",
  "radioOff",
] as const satisfies readonly (keyof StationOptions)[];

/**
 * Air (or a wire) that stations share, with everything that can befall what they send. Knows bytes
 * and instants only. The same seed, stations and calls give the same run on every machine.
 *
 * ```ts
 * const clock = new VirtualClock();
 * const medium = new Medium({ clock, seed: 7, ...presets.reference(), loss: 0.2 });
 * const gateway = medium.attach({ address: gatewayAddress });
 * const board = medium.attach({ address: boardAddress, incoming: { loss: 0.5 } });
 * ```
 *
 * A frame that has left the air is delivered at that instant, if nothing delays it, and its outcome
 * follows at the same instant. `sent` says only that the frame left.
 */
export class Medium {
  readonly #carrier: Carrier;

  /** @throws LossyLinkError - which field is wrong, and what is allowed */
  constructor(options: MediumOptions) {
    const settings = resolveSettings(options);
    const { clock, seed = 1 } = options;
    this.#carrier = new Carrier(clock, seed, settings, mergeImpairments(options));
  }

  /**
   * Adds a station. It hears nothing and cannot send before it is opened; `close` takes it off the
   * medium, after which its address can be attached again.
   * @throws LossyLinkError
   */
  attach(options: StationOptions): LossyLink {
    checkFields("", options, STATION_FIELDS);
    checkAddress("address", options.address);
    if (this.#carrier.isBroadcast(options.address)) {
      throw new LossyLinkError("bad-address", "address must not be the broadcast address.", {
        field: "address",
        allowed: "any other",
      });
    }
    if (this.#carrier.station(addressKey(options.address)) !== undefined) {
      const address = formatAddress(options.address);
      throw new LossyLinkError(
        "address-in-use",
        `The station ${address} is attached already. Close it first, or use another address.`,
        { field: "address", allowed: "one that no station has" },
      );
    }
    if (options.position !== undefined) checkPosition("position", options.position);
    else if (this.#carrier.settings.propagation !== undefined) {
      throw new LossyLinkError(
        "missing-option",
        "A station needs a position: this medium has a propagation.",
        { field: "position", allowed: "{ xM, yM, zM } in metres" },
      );
    }
    if (options.radioChannel !== undefined) {
      checkInteger("radioChannel", options.radioChannel, 0, 65535);
    }
    checkImpairments("outgoing", options.outgoing ?? {});
    checkImpairments("incoming", options.incoming ?? {});
    checkIntervals("radioOff", options.radioOff ?? []);
    const station = new Station(this.#carrier, options);
    this.#carrier.add(station);
    return station;
  }

  /** A copy of the counts. */
  get statistics(): MediumStatistics {
    return this.#carrier.ledger.snapshot();
  }

  /**
   * Calls `observer` with the fate of each frame at each receiver, until the function that is
   * returned is called. Costs nothing while nobody observes.
   */
  observe(observer: Observer): () => void {
    return this.#carrier.ledger.observe(observer);
  }

  /** Sets what befalls all datagrams, in place of what was set for the medium. @throws LossyLinkError */
  setImpairments(impairments: Impairments): void {
    checkImpairments("impairments", impairments);
    this.#carrier.paths.setImpairments(impairments);
  }

  /**
   * Sets what befalls datagrams from one address to another, in place of what was set for this path.
   * Prevails over all other settings, field by field.
   * @throws LossyLinkError
   */
  setPathImpairments(from: Address, to: Address, impairments: Impairments): void {
    checkAddress("from", from);
    checkAddress("to", to);
    checkImpairments("impairments", impairments);
    this.#carrier.paths.setPathImpairments(from, to, impairments);
  }
}
