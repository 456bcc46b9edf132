import { airtimeUs, type Preset, presets } from "@fardel/lossy-link";
import type { CaseLink } from "../scenario/cases.js";

/**
 * For how long one transmission of a datagram keeps others from sending, microseconds, on the mean.
 * Where stations contend (IEEE 802.11), that includes DIFS and half the first contention window.
 */
export function frameUs(preset: Preset, datagramBytes: number): number {
  const { arbitration } = preset;
  const us = onAirUs(preset, datagramBytes);
  if (typeof arbitration === "string") return us;
  return us + arbitration.difsUs + (arbitration.cwMin / 2) * arbitration.slotUs;
}

/** For how long one transmission keeps the air busy, the neighbour's ack included, microseconds. */
export function onAirUs({ airtime, neighbourAcks }: Preset, datagramBytes: number): number {
  const ackUs = typeof neighbourAcks === "boolean" ? 0 : (neighbourAcks.ackUs ?? 0);
  return airtimeUs(airtime, datagramBytes) + ackUs;
}

/**
 * What a channel can carry, bytes per second: full datagrams one after the other, of which those
 * that are not lost count, and every byte is a message's (capacity of the erasure channel, P. Elias,
 * 1955). `undefined` where frames take no time.
 */
export function capacityBytesPerS({ preset, mtuBytes, loss }: CaseLink): number | undefined {
  const us = frameUs(presets[preset](), mtuBytes);
  return us > 0 ? (mtuBytes / us) * 1e6 * (1 - loss) : undefined;
}
