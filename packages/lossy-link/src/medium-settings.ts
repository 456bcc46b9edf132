import type { Address, Clock } from "@fardel/core";
import { LossyLinkError } from "./errors.js";
import { checkImpairmentValues, IMPAIRMENT_NAMES, type Impairments } from "./impairments.js";
import { reference } from "./presets.js";
import { checkPropagation, type Propagation } from "./propagation.js";
import {
  checkAddress,
  checkChoice,
  checkFields,
  checkInteger,
  checkNumber,
  checkProbability,
  checkUs,
  within,
} from "./validation.js";

/** How long a datagram keeps the medium busy; see {@link airtimeUs}. */
export interface Airtime {
  /** Per frame, before its first byte and after its last, microseconds. */
  readonly fixedUs: number;
  /** Per byte on air, microseconds; need not be whole. */
  readonly perByteUs: number;
  /** Bytes on air around the datagram. */
  readonly overheadBytes: number;
}

/** `fixedUs` + `perByteUs` · (`overheadBytes` + `datagramBytes`), to the nearest microsecond. */
export function airtimeUs(airtime: Airtime, datagramBytes: number): number {
  const { fixedUs, perByteUs, overheadBytes } = airtime;
  return Math.round(fixedUs + perByteUs * (overheadBytes + datagramBytes));
}

/**
 * Stations compete for the air as in the distributed coordination function of IEEE 802.11: each
 * frame waits for `difsUs` of silence and then 0 to CW idle slots, drawn at random. CW starts at
 * `cwMin` and, when neighbour acks tell that a frame failed, doubles (plus one) up to `cwMax`.
 */
export interface Contention {
  /** One slot, microseconds, at least 1. */
  readonly slotUs: number;
  /** Silence before slots are counted, microseconds. */
  readonly difsUs: number;
  /** Slots, 0..65535. */
  readonly cwMin: number;
  /** Slots, `cwMin`..65535. */
  readonly cwMax: number;
}

/** Acknowledgements by the neighbour's radio, for datagrams to one address. */
export interface NeighbourAcks {
  /** Probability 0..1 that one is lost although the datagram arrived; default 0. */
  readonly lossRate?: number;
  /** How often the radio puts a datagram on air again that was not acknowledged, 0..255; default 0. */
  readonly repetitionsMax?: number;
  /** Time that one keeps the air busy after the frame, microseconds; default 0. */
  readonly ackUs?: number;
}

/** Properties of a medium. What is left out is as in {@link reference}. */
export interface MediumSettings extends Impairments {
  /** Largest datagram, bytes, 20..65535. */
  readonly mtuBytes?: number;
  /** Send queue of a station, datagrams, 1..65535: one more is `refused`. */
  readonly outstandingMax?: number;
  readonly airtime?: Airtime;
  /** `half`: one frame at a time on each radio channel. `full`: one at a time from each station. */
  readonly duplex?: "half" | "full";
  /**
   * Who goes next on a half-duplex medium: `fifo` in the order in which datagrams were handed over,
   * whichever station did, or by {@link Contention}.
   */
  readonly arbitration?: "fifo" | Contention;
  /** Whether `send` to one address ends as `acknowledged` or `not-acknowledged`, or as `sent`. */
  readonly neighbourAcks?: boolean | NeighbourAcks;
  /** Reaches everybody; `null` if this medium cannot broadcast. */
  readonly broadcastAddress?: Address | null;
  /** Signal strength by distance; every station needs a position then. `null`: none. */
  readonly propagation?: Propagation | null;
}

/** How a medium is made. */
export interface MediumOptions extends MediumSettings {
  /** Its time: a `VirtualClock`, or core's `SystemClock` to run in real time. */
  readonly clock: Clock;
  /** Whole number from 0 that fixes everything drawn at random; default 1. */
  readonly seed?: number;
}

/** {@link MediumSettings} but for the impairments, complete. */
export interface ResolvedSettings {
  readonly mtuBytes: number;
  readonly outstandingMax: number;
  readonly airtime: Airtime;
  readonly duplex: "half" | "full";
  readonly contention: Contention | undefined;
  readonly acks: Required<NeighbourAcks> | undefined;
  readonly broadcastAddress: Address | undefined;
  readonly propagation: Propagation | undefined;
}

const SETTING_NAMES = [
  "mtuBytes",
  "outstandingMax",
  "airtime",
  "duplex",
  "arbitration",
  "neighbourAcks",
  "broadcastAddress",
  "propagation",
] as const satisfies readonly (keyof MediumSettings)[];

/** @throws LossyLinkError */
export function resolveSettings(options: MediumOptions): ResolvedSettings {
  checkFields("", options, ["clock", "seed", ...SETTING_NAMES, ...IMPAIRMENT_NAMES]);
  if (typeof options.clock?.setTimer !== "function") {
    throw new LossyLinkError(
      "missing-option",
      "A medium needs a clock: pass a VirtualClock, or a SystemClock to run in real time.",
      { field: "clock", allowed: "a Clock" },
    );
  }
  checkInteger("seed", options.seed ?? 1, 0, Number.MAX_SAFE_INTEGER);
  checkImpairmentValues("", options);

  const defaults = reference();
  const {
    mtuBytes = defaults.mtuBytes,
    outstandingMax = defaults.outstandingMax,
    airtime = defaults.airtime,
    duplex = defaults.duplex,
    arbitration = defaults.arbitration,
    neighbourAcks = defaults.neighbourAcks,
    broadcastAddress = defaults.broadcastAddress,
    propagation = null,
  } = options;
  checkInteger("mtuBytes", mtuBytes, 20, 65535);
  checkInteger("outstandingMax", outstandingMax, 1, 65535);
  checkAirtime("airtime", airtime);
  checkChoice("duplex", duplex, ["half", "full"]);
  if (typeof arbitration === "string") checkChoice("arbitration", arbitration, ["fifo"]);
  else checkContention("arbitration", arbitration, duplex);
  const acks = resolveAcks("neighbourAcks", neighbourAcks);
  if (broadcastAddress !== null) checkAddress("broadcastAddress", broadcastAddress);
  if (propagation !== null) checkPropagation("propagation", propagation);
  return {
    mtuBytes,
    outstandingMax,
    airtime,
    duplex,
    contention: typeof arbitration === "string" ? undefined : arbitration,
    acks,
    broadcastAddress: broadcastAddress?.slice(),
    propagation: propagation ?? undefined,
  };
}

function checkAirtime(field: string, airtime: Airtime): void {
  checkFields(field, airtime, ["fixedUs", "perByteUs", "overheadBytes"]);
  checkUs(within(field, "fixedUs"), airtime.fixedUs);
  checkNumber(within(field, "perByteUs"), airtime.perByteUs, 0, 1e9);
  checkInteger(within(field, "overheadBytes"), airtime.overheadBytes, 0, 65535);
}

function checkContention(field: string, contention: Contention, duplex: "half" | "full"): void {
  checkFields(field, contention, ["slotUs", "difsUs", "cwMin", "cwMax"]);
  checkInteger(within(field, "slotUs"), contention.slotUs, 1, 1e9);
  checkUs(within(field, "difsUs"), contention.difsUs);
  checkInteger(within(field, "cwMin"), contention.cwMin, 0, 65535);
  checkInteger(within(field, "cwMax"), contention.cwMax, contention.cwMin, 65535);
  if (duplex === "full") {
    throw new LossyLinkError(
      "bad-choice",
      "Stations of a full-duplex medium do not contend: use arbitration fifo, or duplex half.",
      { field, allowed: '"fifo" with duplex "full"' },
    );
  }
}

function resolveAcks(
  field: string,
  acks: boolean | NeighbourAcks,
): Required<NeighbourAcks> | undefined {
  if (acks === false) return undefined;
  const given = acks === true ? {} : acks;
  checkFields(field, given, ["lossRate", "repetitionsMax", "ackUs"]);
  const { lossRate = 0, repetitionsMax = 0, ackUs = 0 } = given;
  checkProbability(within(field, "lossRate"), lossRate);
  checkInteger(within(field, "repetitionsMax"), repetitionsMax, 0, 255);
  checkUs(within(field, "ackUs"), ackUs);
  return { lossRate, repetitionsMax, ackUs };
}
