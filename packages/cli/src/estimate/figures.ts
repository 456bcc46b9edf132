import { presets } from "@fardel/lossy-link";
import { count, duration, bytes as inBytes, percent } from "../format.js";
import type { PresetName } from "../scenario/schema.js";
import { capacityBytesPerS } from "../simulation/channel.js";
import { modelLink } from "./link-model.js";
import { estimateTransfer, LATE_DEVIATIONS, LATE_MARGIN } from "./transfer.js";
import { cutMessage, DATAGRAM_OVERHEAD } from "./wire-bytes.js";

/** What is to be estimated. */
export interface EstimateQuestion {
  readonly bytes: number;
  readonly preset: PresetName;
  readonly mtuBytes: number;
  /** Each way, 0 to below 1. */
  readonly loss: number;
  readonly window: number;
  /** How often such a message is sent, microseconds: for the duty cycle. */
  readonly everyUs: number;
}

export type FigureName =
  | "fragments"
  | "datagrams"
  | "airtimeUs"
  | "dutyCycle"
  | "timeUs"
  | "lateUs"
  | "channelShare"
  | "efficiency"
  | "memoryBytes";

/** One figure with where it comes from. */
export interface Figure {
  readonly name: FigureName;
  /** `undefined` where there is none: a link whose frames take no time has no capacity. */
  readonly value: number | undefined;
  /** The formula in words. */
  readonly formula: string;
  readonly source: string;
}

/** Numbers kept by a receiver to know duplicates, bits; PROTOCOL.md, section 13. */
const REPLAY_BITS = 64;
/** Digits of a JSON figure. */
const DIGITS = 6;

/** All figures, from first contact on. */
export function estimateFigures(question: EstimateQuestion): Figure[] {
  const { bytes, preset, mtuBytes, loss, window, everyUs } = question;
  const link = modelLink(preset, mtuBytes, loss);
  const transfer = estimateTransfer(link, bytes, window);
  const { airtimeUs, senderAirtimeUs, timeUs, lateUs, datagrams } = transfer;
  const channel = { ...OPEN_CHANNEL, preset, mtuBytes, loss };
  const capacity = capacityBytesPerS(channel);
  const payload = mtuBytes - DATAGRAM_OVERHEAD;
  const values: Record<FigureName, number | undefined> = {
    fragments: transfer.fragments,
    datagrams: datagrams.total,
    airtimeUs,
    dutyCycle: senderAirtimeUs / everyUs,
    timeUs,
    lateUs,
    channelShare: timeUs > 0 ? Math.min(1, airtimeUs / timeUs) : undefined,
    efficiency: capacity && timeUs > 0 ? (bytes * 1e6) / timeUs / capacity : undefined,
    memoryBytes: window * payload + 2 * mtuBytes + REPLAY_BITS / 8,
  };
  const explained = explanations(question, datagrams);
  return FIGURE_NAMES.map((name) => ({ name, value: rounded(values[name]), ...explained[name] }));
}

const FIGURE_NAMES: readonly FigureName[] = [
  "fragments",
  "datagrams",
  "airtimeUs",
  "dutyCycle",
  "timeUs",
  "lateUs",
  "channelShare",
  "efficiency",
  "memoryBytes",
];

/** No impairment but loss. */
const OPEN_CHANNEL = {
  burst: 1,
  burstUs: 0,
  duplicate: 0,
  reorder: 0,
  corrupt: 0,
  delayUs: 0,
  jitterUs: 0,
  outagesUs: [],
} as const;

function rounded(value: number | undefined): number | undefined {
  return value === undefined ? undefined : Number(value.toPrecision(DIGITS));
}

type Explanation = Pick<Figure, "formula" | "source">;

function explanations(
  { bytes, preset, mtuBytes, window, everyUs }: EstimateQuestion,
  datagrams: ReturnType<typeof estimateTransfer>["datagrams"],
): Record<FigureName, Explanation> {
  const payload = count(mtuBytes - DATAGRAM_OVERHEAD);
  // `60 min 0 s` says no more than `60 min`.
  const period = duration(everyUs).replace(/ 0 (?:s|min)$/, "");
  const { opening, data, acks, probes } = datagrams;
  const parts = [
    `${round(opening)} to open the session`,
    `${round(data)} with data`,
    `${round(acks)} acks`,
    `${round(probes)} probes`,
  ].join(", ");
  const { fragments } = cutMessage(bytes, mtuBytes);
  return {
    fragments: {
      formula:
        fragments === 1
          ? `one: the message is not longer than the ${payload} bytes of a datagram that are not the protocol's`
          : `the message, its length and its CRC-32 ÷ the ${payload} bytes of a datagram that are not the protocol's, rounded up`,
      source: "PROTOCOL.md, sections 2.2 and 3.2",
    },
    datagrams: {
      formula: `${parts}. Data: fragments ÷ (1 − loss). Acks and probes: one question for each round of selective repeat, Σ over n ≥ 0 of 1 − (1 − lossⁿ)^K, K fragments at once`,
      source:
        "PROTOCOL.md, sections 4.3, 6 and 7.4; A. Leon-Garcia, I. Widjaja, Communication Networks (from memory)",
    },
    airtimeUs: {
      formula: "each of those datagrams, by its bytes, as long as the link keeps the air busy",
      source: sourceOfPreset(preset),
    },
    dutyCycle: {
      formula: `what the gateway sends ÷ ${period}: such a message every ${period}. Some bands limit this share by law: check the local radio rules`,
      source: "Definition; limits for instance in ETSI EN 300 220 (from memory)",
    },
    timeUs: {
      formula:
        "opening + data + (rounds − 1) · (time until the sender knows what is missing); until the board has the message, not until the receipt",
      source: "PROTOCOL.md, sections 4.3, 6, 7.1 and 7.4; RFC 6298 for the retry interval",
    },
    lateUs: {
      formula: `opening in 199 of 200 cases + mean of the rest + ${LATE_DEVIATIONS} standard deviations of it, or one lapse if that is more; + ${LATE_MARGIN * 100} % for what the formulas leave out. About 99 of 100 deliveries keep to it. Only a deadline is sure`,
      source: "Cantelli's inequality for the form, the simulation for the share",
    },
    channelShare: {
      formula:
        "airtime of both sides ÷ time to deliver, at most 100 %: what is left for others meanwhile",
      source: "Definition",
    },
    efficiency: {
      formula: `message bytes per second ÷ capacity: ${inBytes(mtuBytes)} per time of a full frame × (1 − loss)`,
      source: "Erasure channel, P. Elias, 1955",
    },
    memoryBytes: {
      formula: `window ${window} × ${payload} bytes + a datagram each way + ${REPLAY_BITS} bits to know duplicates. The message is passed on piece by piece; program and counters not included`,
      source: "PROTOCOL.md, section 13",
    },
  };
}

function sourceOfPreset(preset: PresetName): string {
  const { fixedUs, perByteUs, overheadBytes } = presets[preset]().airtime;
  const formula = `${count(fixedUs)} µs + ${perByteUs} µs × (${overheadBytes} + bytes)`;
  return `preset ${preset} of @fardel/lossy-link: ${formula}`;
}

function round(value: number): string {
  return value >= 100 ? count(Math.round(value)) : String(Number(value.toFixed(1)));
}

/** What a figure is called. */
export const FIGURE_TITLES: Readonly<Record<FigureName, string>> = {
  fragments: "fragments",
  datagrams: "datagrams on air",
  airtimeUs: "airtime",
  dutyCycle: "duty cycle",
  timeUs: "time to deliver, mean",
  lateUs: "time to deliver, bound",
  channelShare: "share of the channel",
  efficiency: "efficiency",
  memoryBytes: "memory on the board",
};

/** A value with its unit. */
export function showFigure(name: FigureName, value: number | undefined): string {
  if (value === undefined) return "–";
  switch (name) {
    case "fragments":
    case "datagrams":
      return round(value);
    case "airtimeUs":
    case "timeUs":
    case "lateUs":
      return duration(value);
    case "dutyCycle":
    case "channelShare":
    case "efficiency":
      return percent(value);
    case "memoryBytes":
      return inBytes(value);
  }
}
