import type { Impairments } from "./impairments.js";
import type { MediumSettings } from "./medium-settings.js";

/**
 * Media by open standard. Each call gives a plain object of its own, to be spread and overridden:
 *
 * ```ts
 * new Medium({ clock, ...presets.reference(), loss: 0.2 });
 * ```
 *
 * None of them loses anything by itself. "From memory" marks a figure that was not read again in
 * its standard.
 */
export type Preset = MediumSettings &
  Required<Omit<MediumSettings, "propagation" | keyof Impairments>>;

const everybody = (): Uint8Array => new Uint8Array(6).fill(0xff);

/** IEEE 802.11 DSSS at 1 Mbit/s and 2.4 GHz: what the figures below are taken from. */
const DSSS = {
  slotUs: 20,
  sifsUs: 10,
  difsUs: 50,
  cwMin: 31,
  /** From memory. */
  cwMax: 1023,
  /** Long preamble and PLCP header. */
  headerUs: 192,
  /** 1 Mbit/s. */
  perByteUs: 8,
  ackBytes: 14,
  /** MAC header, FCS and what a connectionless frame has around its payload (common practice). */
  overheadBytes: 43,
} as const;

/**
 * The reference channel: connectionless frames of at most 250 bytes over IEEE 802.11 DSSS at
 * 1 Mbit/s, half-duplex, each on air for 552 µs + 8 µs · (43 + bytes). The fixed part is preamble
 * and PLCP header 192 µs, DIFS 50 µs, and the mean back-off of 31/2 slots of 20 µs, 310 µs, so that
 * nothing needs to be drawn at random. A full datagram takes 2,896 µs: 86,326 bytes per second.
 *
 * The queue of 4 is invented.
 */
export function reference(): Preset {
  const meanBackoffUs = (DSSS.cwMin / 2) * DSSS.slotUs;
  return {
    mtuBytes: 250,
    outstandingMax: 4,
    airtime: {
      fixedUs: DSSS.headerUs + DSSS.difsUs + meanBackoffUs,
      perByteUs: DSSS.perByteUs,
      overheadBytes: DSSS.overheadBytes,
    },
    duplex: "half",
    arbitration: "fifo",
    neighbourAcks: false,
    broadcastAddress: everybody(),
  };
}

/**
 * The same radio with what the reference channel leaves out: back-off drawn at random (IEEE 802.11:
 * slot 20 µs, DIFS 50 µs, CW 31 to 1023), collisions, and link-level acknowledgements (SIFS 10 µs,
 * then 14 bytes after a header of 192 µs: 314 µs) with up to 6 repetitions (7 attempts in all, from
 * memory).
 */
export function contention(): Preset {
  return {
    ...reference(),
    airtime: {
      fixedUs: DSSS.headerUs,
      perByteUs: DSSS.perByteUs,
      overheadBytes: DSSS.overheadBytes,
    },
    arbitration: {
      slotUs: DSSS.slotUs,
      difsUs: DSSS.difsUs,
      cwMin: DSSS.cwMin,
      cwMax: DSSS.cwMax,
    },
    neighbourAcks: {
      lossRate: 0,
      repetitionsMax: 6,
      ackUs: DSSS.sifsUs + DSSS.headerUs + DSSS.perByteUs * DSSS.ackBytes,
    },
  };
}

/**
 * IEEE 802.15.4 at 2.4 GHz, 250 kbit/s (from memory): a PSDU of at most 127 bytes, of which MAC
 * header and FCS take up to 25 with extended addresses and both PAN identifiers, so that 102 are
 * left (RFC 4944, section 4; from memory). Per frame: 6 bytes of preamble, SFD and PHR 192 µs, the
 * mean back-off of unslotted CSMA-CA 3.5 · 320 µs (BE = 3), channel assessment 128 µs, turnaround
 * 192 µs. A full datagram takes 5,696 µs.
 */
export function ieee802154(): Preset {
  return {
    ...reference(),
    mtuBytes: 102,
    airtime: { fixedUs: 192 + 1120 + 128 + 192, perByteUs: 32, overheadBytes: 25 },
  };
}

/**
 * CAN FD with base identifiers, 64 bytes, 500 kbit/s in arbitration and 2 Mbit/s for data (ISO
 * 11898-1; from memory). Arbitration rate: 17 bits before the switch and 13 after it, 60 µs. Data
 * rate: ESI, DLC, stuff count, CRC-21 and its fixed stuff bits, 36 bits, 18 µs; then 4 µs per byte.
 * Left out: dynamic stuff bits, the padding of lengths between two DLC steps, and priority by
 * identifier (frames go in the order in which they were handed over). Acks are by the bus, not by
 * the neighbour. A full datagram takes 334 µs.
 */
export function canFd(): Preset {
  return {
    ...reference(),
    mtuBytes: 64,
    airtime: { fixedUs: 60 + 18, perByteUs: 4, overheadBytes: 0 },
  };
}

/**
 * Notifications over Bluetooth Low Energy with the default ATT_MTU of 23, which leaves 20 bytes (from
 * memory). LE 1M: 8 µs per byte; preamble 1, access address 4, header 2, L2CAP 4, ATT 3, CRC 3 make
 * 17 bytes around the value; 150 µs, the other side's empty frame of 10 bytes, and 150 µs follow. A
 * full datagram takes 676 µs. Two sides only, so there is no broadcast.
 *
 * `delayUs` is half of the shortest connection interval, 7.5 ms: the mean wait for an event.
 */
export function bleAtt(): Preset {
  return {
    ...reference(),
    mtuBytes: 20,
    airtime: { fixedUs: 150 + 80 + 150, perByteUs: 8, overheadBytes: 17 },
    broadcastAddress: null,
    delayUs: 3750,
  };
}

/** Takes no time: what is left is the work of the two ends. 1500 bytes, both ways at once. */
export function ideal(): Preset {
  return {
    ...reference(),
    mtuBytes: 1500,
    outstandingMax: 64,
    airtime: { fixedUs: 0, perByteUs: 0, overheadBytes: 0 },
    duplex: "full",
  };
}

/** All presets by name. */
export const presets = { reference, contention, ieee802154, canFd, bleAtt, ideal } as const;
