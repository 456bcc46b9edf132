import { invalidOption } from "../pairing-error.js";
import { checkInteger } from "./announce-body.js";
import { type Found, median, RSSI_SAMPLES_MAX } from "./found-table.js";

/** How near is near enough, and how much nearer than the next one. */
export interface NearnessOptions {
  /** Least median signal strength of the chosen board, dBm, -150..50. Default {@link NEARNESS_DEFAULTS}. */
  readonly thresholdDbm?: number;
  /** What it must exceed the next one's by, dB, 0..100. Default {@link NEARNESS_DEFAULTS}. */
  readonly marginDb?: number;
  /** Announcements that must have been heard of it, 1..15. Default {@link NEARNESS_DEFAULTS}. */
  readonly samplesMin?: number;
}

/**
 * Found by simulation, for a radiated power of 15 dBm (`npm run bench -- nearness`): in homes, offices and orchards the wrong
 * board is chosen in less than one of a thousand cases. Boards that radiate less need a threshold that is lower by as
 * much. The margin is for offices; 22 dB does in homes, and 14 dB in orchards, if no other board is within two metres or so.
 */
export const NEARNESS_DEFAULTS = { thresholdDbm: -30, marginDb: 30, samplesMin: 5 } as const;

/**
 * Why nobody was chosen. Stable: programs may switch on it.
 *
 * - `nobody-heard`: no board was heard in the last 10 s.
 * - `no-signal-strength`: the link does not tell it.
 * - `too-few-announcements`: the strongest one was not heard often enough yet.
 * - `too-far`: the strongest one is below the threshold.
 * - `about-as-near`: the next one is too close to the strongest one.
 */
export type NearnessDoubt =
  | "nobody-heard"
  | "no-signal-strength"
  | "too-few-announcements"
  | "too-far"
  | "about-as-near";

/** Who was chosen; or why nobody was, in a sentence for people too, and who it could be, the strongest first. */
export type Nearness =
  | { readonly chosen: Found }
  | {
      readonly ambiguous: NearnessDoubt;
      readonly sentence: string;
      readonly candidates: readonly Found[];
    };

const SENTENCES: Readonly<Record<NearnessDoubt, string>> = {
  "nobody-heard": "No board was heard: switch on its pairing mode and hold it closer.",
  "no-signal-strength":
    "This link does not tell how strong a board is heard: choose the board by its name or its claim code.",
  "too-few-announcements":
    "The board was not heard often enough yet: hold it there a moment longer.",
  "too-far": "No board is near enough: hold the board closer.",
  "about-as-near": "Two boards are about as near: hold the board closer.",
};

/**
 * The board that is held at the gateway, or nobody. PROTOCOL.md, section 15.3.
 *
 * Signal strength proves nothing: whoever sends with more power seems nearer. Use it to save a person the typing of a
 * name, and let pairing prove that it is the right board.
 *
 * @param found - from {@link Discovery.found}: all boards that were heard, not only those that are likely
 * @throws {@link PairingError} `invalid-option`
 */
export function chooseNearest(found: readonly Found[], options: NearnessOptions = {}): Nearness {
  const { thresholdDbm, marginDb, samplesMin } = { ...NEARNESS_DEFAULTS, ...options };
  checkNumber("thresholdDbm", thresholdDbm, -150, 50);
  checkNumber("marginDb", marginDb, 0, 100);
  checkInteger("samplesMin", samplesMin, 1, RSSI_SAMPLES_MAX);
  const ranked = found
    .filter(({ rssiSamplesDbm }) => rssiSamplesDbm.length > 0)
    .map((board) => ({ board, ...levelOf(board, samplesMin) }))
    .sort((one, other) => other.levelDbm - one.levelDbm);
  const candidates = ranked.map(({ board }) => board);
  const doubt = (ambiguous: NearnessDoubt): Nearness => ({
    ambiguous,
    sentence: SENTENCES[ambiguous],
    candidates,
  });
  const [first, next] = ranked;
  if (!first) return doubt(found.length > 0 ? "no-signal-strength" : "nobody-heard");
  if (!first.isSure) return doubt("too-few-announcements");
  if (first.levelDbm < thresholdDbm) return doubt("too-far");
  if (next && first.levelDbm - next.levelDbm < marginDb) return doubt("about-as-near");
  return { chosen: first.board };
}

/** The median; of too few announcements the strongest one, so that it is not taken for farther than it may be. */
function levelOf(
  { rssiSamplesDbm }: Found,
  samplesMin: number,
): { levelDbm: number; isSure: boolean } {
  const isSure = rssiSamplesDbm.length >= samplesMin;
  const levelDbm = isSure ? median(rssiSamplesDbm) : Math.max(...rssiSamplesDbm);
  return { levelDbm: levelDbm ?? Number.NEGATIVE_INFINITY, isSure };
}

function checkNumber(option: string, value: number, min: number, max: number): void {
  if (Number.isFinite(value) && value >= min && value <= max) return;
  throw invalidOption(option, `${String(value)} is not a number from ${min} to ${max}`);
}
