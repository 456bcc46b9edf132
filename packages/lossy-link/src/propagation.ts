import { log10 } from "./portable-log.js";
import { checkFields, checkNumber, within } from "./validation.js";

/** Where a station stands, metres. */
export interface Position {
  readonly xM: number;
  readonly yM: number;
  /** Height, metres; default 0. */
  readonly zM?: number;
}

/**
 * How strong a signal arrives, and how strong it has to be.
 *
 * RSSI = `txPowerDbm` − path loss, with the log-distance law: L(d) = `lossAtOneMetreDb` + 10 ·
 * `exponent` · log10(d/1 m) + X, where X is normal with deviation `shadowingDb` (T. Rappaport,
 * *Wireless Communications*; for indoors ITU-R P.1238). X is drawn once for each pair of stations
 * and is the same both ways.
 *
 * Decibels are rounded to 1/1000 before anything is decided by them.
 */
export interface Propagation {
  /** Radiated power, dBm, -50..50. */
  readonly txPowerDbm: number;
  /** Path loss at 1 m, dB, 0..200: 40.05 at 2.4 GHz in free space ({@link freeSpaceLossDb}). */
  readonly lossAtOneMetreDb: number;
  /** Exponent n, 0..10: 2 in free space, more where there are obstacles. */
  readonly exponent: number;
  /** Standard deviation of the shadowing of a pair of stations, dB, 0..30. */
  readonly shadowingDb: number;
  /** Standard deviation from one datagram to the next, dB, 0..30. */
  readonly fadingDb: number;
  /** RSSI at which half of the datagrams are lost, dBm, -200..0. */
  readonly halfLossDbm: number;
  /** From this much above `halfLossDbm` nothing is lost, from this much below everything; dB, 0..30. */
  readonly marginDb: number;
}

/**
 * Values to start from. The path loss at 1 m is that of free space at 2.4 GHz (ITU-R P.525); power,
 * `halfLossDbm` and `marginDb` are invented, of the size that is usual for small 2.4 GHz radios.
 */
const AT_2400_MHZ = {
  txPowerDbm: 15,
  lossAtOneMetreDb: 40.05,
  fadingDb: 0,
  halfLossDbm: -94,
  marginDb: 4,
} as const;

/** Surroundings to take a {@link Propagation} from. */
export const environments = {
  /** Nothing in the way: ITU-R P.525, exponent 2. */
  freeSpace: { ...AT_2400_MHZ, exponent: 2, shadowingDb: 0 },
  /** Homes: ITU-R P.1238, N = 10 n = 28 and σ = 8 dB at 2 GHz (from memory). */
  home: { ...AT_2400_MHZ, exponent: 2.8, shadowingDb: 8 },
  /** Offices: ITU-R P.1238, N = 10 n = 30 and σ = 10 dB at 2 GHz (from memory). */
  office: { ...AT_2400_MHZ, exponent: 3, shadowingDb: 10 },
  /** Rows of trees: invented, between free space and a home. */
  orchard: { ...AT_2400_MHZ, exponent: 2.6, shadowingDb: 4 },
} as const satisfies Record<string, Propagation>;

/** Distance of two positions, metres. */
export function distanceM(one: Position, other: Position): number {
  const x = one.xM - other.xM;
  const y = one.yM - other.yM;
  const z = (one.zM ?? 0) - (other.zM ?? 0);
  // Not Math.hypot, which may differ between engines; a square root is exact by IEEE 754.
  return Math.sqrt(x * x + y * y + z * z);
}

/**
 * Loss in free space between isotropic antennas, dB: 20 log10(4π d f / c).
 * @param distance - metres, more than 0
 * @param frequencyMhz - more than 0
 * @see ITU-R P.525, section 2.3 (there as 32.4 + 20 log f/MHz + 20 log d/km)
 */
export function freeSpaceLossDb(distance: number, frequencyMhz: number): number {
  const metresPerSecond = 299_792_458;
  return 20 * log10((4 * Math.PI * distance * frequencyMhz * 1e6) / metresPerSecond);
}

/**
 * Mean path loss, dB, in steps of 1/1000, without shadowing. The law starts at 1 m: whatever is
 * nearer counts as 1 m.
 * @param distance - metres
 */
export function pathLossDb(
  distance: number,
  { lossAtOneMetreDb, exponent }: Pick<Propagation, "lossAtOneMetreDb" | "exponent">,
): number {
  return roundDb(lossAtOneMetreDb + 10 * exponent * log10(Math.max(1, distance)));
}

/**
 * Probability that a datagram of this strength is lost. The curve is invented, for want of one that
 * fits all radios: 0 and 1 beyond the margin, and between them the smooth step 3t² − 2t³.
 */
export function signalLossRate(
  rssiDbm: number,
  { halfLossDbm, marginDb }: Pick<Propagation, "halfLossDbm" | "marginDb">,
): number {
  const aboveDb = rssiDbm - halfLossDbm;
  if (aboveDb >= marginDb) return 0;
  if (aboveDb <= -marginDb) return 1;
  const t = (marginDb - aboveDb) / (2 * marginDb);
  return t * t * (3 - 2 * t);
}

/** Rounds to 1/1000 dB. */
export function roundDb(db: number): number {
  return Math.round(db * 1000) / 1000;
}

const RANGES: Record<keyof Propagation, readonly [min: number, max: number]> = {
  txPowerDbm: [-50, 50],
  lossAtOneMetreDb: [0, 200],
  exponent: [0, 10],
  shadowingDb: [0, 30],
  fadingDb: [0, 30],
  halfLossDbm: [-200, 0],
  marginDb: [0, 30],
};

/** @throws LossyLinkError */
export function checkPropagation(field: string, propagation: Propagation): void {
  const names = Object.keys(RANGES) as (keyof Propagation)[];
  checkFields(field, propagation, names);
  for (const name of names) checkNumber(within(field, name), propagation[name], ...RANGES[name]);
}

/** @throws LossyLinkError */
export function checkPosition(field: string, position: Position): void {
  checkFields(field, position, ["xM", "yM", "zM"]);
  checkNumber(within(field, "xM"), position.xM, -1e9, 1e9);
  checkNumber(within(field, "yM"), position.yM, -1e9, 1e9);
  checkNumber(within(field, "zM"), position.zM ?? 0, -1e9, 1e9);
}
