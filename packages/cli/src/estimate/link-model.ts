import { presets } from "@fardel/lossy-link";
import type { PresetName } from "../scenario/schema.js";
import { frameUs, onAirUs } from "../simulation/channel.js";

/** A link as the formulas see it: means, no chance. */
export interface LinkModel {
  readonly preset: PresetName;
  readonly mtuBytes: number;
  /** Share of transmissions that are lost, each way. */
  readonly loss: number;
  /** Share of datagrams that are lost after all repetitions by the radio itself. */
  readonly datagramLoss: number;
  /** Transmissions of a datagram, on the mean; above 1 where the radio repeats by itself. */
  readonly transmissions: number;
  /** From leaving the air to delivery, microseconds. */
  readonly delayUs: number;
  /** What follows a datagram that has arrived (the neighbour's ack), microseconds. */
  readonly afterUs: number;
  /** Time a datagram takes, waiting and all its transmissions included, microseconds, on the mean. */
  datagramUs(datagramBytes: number): number;
  /** How much of it the air is busy. */
  busyUs(datagramBytes: number): number;
  /** Variance of its time, by back-off and repetitions, square microseconds. */
  varianceUs2(datagramBytes: number): number;
  /** How much longer than the mean all but one of 200 datagrams take at most, microseconds. */
  extraUs(datagramBytes: number): number;
}

/** One of 200. */
export const LATE_SHARE = 0.005;

/**
 * A preset of lossy-link with a loss. Where the radio repeats by itself (IEEE 802.11: up to 6 times
 * there), attempt i is made if the i before it were lost, and its contention window has doubled i
 * times.
 */
export function modelLink(preset: PresetName, mtuBytes: number, loss: number): LinkModel {
  const settings = presets[preset]();
  const { arbitration, neighbourAcks } = settings;
  const acks = typeof neighbourAcks === "boolean" ? undefined : neighbourAcks;
  const contention = typeof arbitration === "string" ? undefined : arbitration;
  const attemptsMax = 1 + (acks?.repetitionsMax ?? 0);
  let transmissions = 0;
  let square = 0;
  let backoffUs = 0;
  for (let attempt = 0; attempt < attemptsMax; attempt++) {
    const share = loss ** attempt;
    transmissions += share;
    square += (2 * attempt + 1) * share;
    if (contention === undefined) continue;
    const { cwMin, cwMax, slotUs } = contention;
    const window = Math.min((cwMin + 1) * 2 ** attempt - 1, cwMax);
    backoffUs += (share * (window - cwMin) * slotUs) / 2;
  }
  // A uniform variable over a width w has the variance w²/12.
  const slotsUs = contention ? contention.cwMin * contention.slotUs : 0;
  const backoffUs2 = (transmissions * slotsUs ** 2) / 12;
  const attemptUs = (bytes: number) => frameUs(settings, bytes);
  const datagramUs = (bytes: number) => transmissions * attemptUs(bytes) + backoffUs;
  const attemptsLate = loss > 0 ? Math.ceil(Math.log(LATE_SHARE) / Math.log(loss)) : 1;
  const attempts = Math.min(attemptsMax, attemptsLate);
  // The last window in full, those before it by half.
  const lateWindowUs = slotsUs * 2 ** (attempts - 1);
  return {
    preset,
    mtuBytes,
    loss,
    datagramLoss: loss ** attemptsMax,
    transmissions,
    delayUs: settings.delayUs ?? 0,
    afterUs: acks?.ackUs ?? 0,
    datagramUs,
    busyUs: (bytes) => transmissions * onAirUs(settings, bytes),
    varianceUs2: (bytes) => (square - transmissions ** 2) * attemptUs(bytes) ** 2 + backoffUs2,
    extraUs: (bytes) => attempts * attemptUs(bytes) + lateWindowUs - datagramUs(bytes),
  };
}
