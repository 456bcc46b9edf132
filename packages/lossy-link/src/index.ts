/**
 * Simulated media in virtual time: links that lose, repeat, reorder, damage and delay what they
 * carry, in the same way each time.
 *
 * @packageDocumentation
 */

export { formatAddress } from "./address.js";
export type { BitErrors, Corruption, DamagedDatagrams } from "./corruption.js";
export { LossyLinkError, type LossyLinkErrorCode, type LossyLinkErrorDetails } from "./errors.js";
export { EventQueue, QueuedEvent } from "./event-queue.js";
export type { Duplication, Impairments, Reordering } from "./impairments.js";
export type { Fate, MediumStatistics, Observation, Observer, Tally } from "./ledger.js";
export type { LinkStatistics, LossyLink, StationOptions } from "./link.js";
export type { BurstLoss, ReplayedLoss, TimedBurstLoss } from "./loss-models.js";
export { Medium } from "./medium.js";
export {
  type Airtime,
  airtimeUs,
  type Contention,
  type MediumOptions,
  type MediumSettings,
  type NeighbourAcks,
} from "./medium-settings.js";
export { type LossyPair, lossyPair, type PairOptions } from "./pair.js";
export { type Preset, presets } from "./presets.js";
export {
  distanceM,
  environments,
  freeSpaceLossDb,
  type Position,
  type Propagation,
  pathLossDb,
  signalLossRate,
} from "./propagation.js";
export { Random } from "./random.js";
export { describeObservation, Trace } from "./trace.js";
export type { Interval } from "./validation.js";
export { type RunOptions, type StopReason, VirtualClock } from "./virtual-clock.js";
