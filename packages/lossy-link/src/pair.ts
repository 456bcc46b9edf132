import type { Address, Clock } from "@fardel/core";
import { checkImpairments, type Impairments } from "./impairments.js";
import type { LossyLink } from "./link.js";
import { Medium } from "./medium.js";
import type { MediumSettings } from "./medium-settings.js";
import { VirtualClock } from "./virtual-clock.js";

/** How {@link lossyPair} is made: the settings of a medium, for both directions, and what differs. */
export interface PairOptions<C extends Clock = VirtualClock> extends MediumSettings {
  /** Default: a new {@link VirtualClock}. */
  readonly clock?: C;
  /** Default 1. */
  readonly seed?: number;
  /** Default `02:00:00:00:00:0a` (locally administered, IEEE 802). */
  readonly addressA?: Address;
  /** Default `02:00:00:00:00:0b`. */
  readonly addressB?: Address;
  /** What befalls datagrams from a to b, where it differs. */
  readonly aToB?: Impairments;
  /** What befalls datagrams from b to a, where it differs. */
  readonly bToA?: Impairments;
}

/** Two stations, and what they share. */
export interface LossyPair<C extends Clock = VirtualClock> {
  readonly a: LossyLink;
  readonly b: LossyLink;
  readonly medium: Medium;
  readonly clock: C;
}

/**
 * Two links over a medium of their own.
 *
 * ```ts
 * const { a, b, clock } = lossyPair({ ...presets.ideal(), loss: 0.1, bToA: { loss: 0.3 } });
 * ```
 * @throws LossyLinkError
 */
export function lossyPair<C extends Clock = VirtualClock>(
  options: PairOptions<C> = {},
): LossyPair<C> {
  const {
    clock = new VirtualClock() as Clock as C,
    addressA = Uint8Array.of(2, 0, 0, 0, 0, 0x0a),
    addressB = Uint8Array.of(2, 0, 0, 0, 0, 0x0b),
    aToB = {},
    bToA = {},
    ...settings
  } = options;
  checkImpairments("aToB", aToB);
  checkImpairments("bToA", bToA);
  const medium = new Medium({ ...settings, clock });
  const a = medium.attach({ address: addressA, outgoing: aToB });
  const b = medium.attach({ address: addressB, outgoing: bToA });
  return { a, b, medium, clock };
}
