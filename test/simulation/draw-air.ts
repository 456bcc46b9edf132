import type { Impairments, MediumSettings } from "@fardel/lossy-link";
import { Dice, SECOND } from "./dice.js";
import type { Feature } from "./features.js";
import type { Frame } from "./frame.js";
import type { Scenario } from "./scenario.js";

const LATE_US_MAX = 5 * SECOND;

export function drawAir(
  seed: number,
  features: ReadonlySet<Feature>,
  frame: Frame,
): Pick<Scenario, "medium" | "impairments" | "paths" | "healed"> {
  const dice = new Dice(seed, "medium");
  const contends = features.has("contention");
  const acks = {
    lossRate: dice.pick([0, 0.05, 0.3]),
    repetitionsMax: dice.pick([0, 1, 6]),
    ackUs: dice.pick([0, 314]),
  };
  const medium: MediumSettings = {
    mtuBytes: frame.mtuBytes,
    outstandingMax: dice.pick([1, 2, 4, 8]),
    airtime: frame.airtime,
    duplex: contends || dice.chance(0.7) ? "half" : "full",
    arbitration: contends ? { slotUs: 20, difsUs: 50, cwMin: 31, cwMax: 1023 } : "fifo",
    neighbourAcks: features.has("neighbourAcks") && acks,
  };
  const healed = drawDelay(seed, features);
  return {
    medium,
    healed,
    impairments: { ...healed, ...drawImpairments(seed, "air", features, frame) },
    paths: drawPaths(seed, features, frame, healed),
  };
}

function drawDelay(seed: number, features: ReadonlySet<Feature>): Impairments {
  const dice = new Dice(seed, "delay");
  const delayUs = dice.scaled(1, 250_000);
  const jitterUs = dice.chance(0.5) ? dice.scaled(1, 100_000) : 0;
  return features.has("delay") ? { delayUs, jitterUs } : {};
}

function drawImpairments(
  seed: number,
  label: string,
  features: ReadonlySet<Feature>,
  frame: Frame,
): Impairments {
  const dice = (name: string) => new Dice(seed, `${label}/${name}`);
  const impairments: Record<string, unknown> = {};
  if (features.has("loss")) impairments.loss = dice("loss").pick([0.02, 0.1, 0.2, 0.3, 0.4]);
  if (features.has("bursts")) impairments.burst = drawBurst(dice("burst"));
  if (features.has("reordering")) {
    const drawn = dice("reordering");
    impairments.reordering = {
      probability: drawn.pick([0.01, 0.1, 0.4]),
      delayUsMax: drawn.scaled(1000, LATE_US_MAX),
    };
  }
  if (features.has("duplication")) {
    const drawn = dice("duplication");
    impairments.duplication = {
      probability: drawn.pick([0.02, 0.2, 0.7]),
      delayUsMax: drawn.scaled(1000, LATE_US_MAX),
    };
  }
  // One to three bits: damage that the CRC-16 of a datagram finds every time (Hamming distance 4 up
  // to 32,751 bits: PROTOCOL.md, section 12). Of more, one in 65,536 would pass, as it should.
  if (features.has("corruption")) {
    impairments.corruption = {
      probability: dice("corruption").pick([0.01, 0.1, 0.3]),
      bitsMin: 1,
      bitsMax: 3,
    };
  }
  if (features.has("outages")) impairments.outages = drawOutages(dice("outages"), frame.healUs);
  return impairments;
}

function drawBurst(dice: Dice): Impairments["burst"] {
  return dice.chance(0.5)
    ? { goodToBad: dice.between(0.005, 0.05), badToGood: dice.between(0.05, 0.5), lossBad: 0.95 }
    : { goodUsMean: dice.scaled(20_000, 2 * SECOND), badUsMean: dice.scaled(2000, SECOND) };
}

function drawOutages(dice: Dice, healUs: number): [number, number][] {
  const outages: [number, number][] = [];
  let atUs = 0;
  for (let left = dice.integer(1, 3); left > 0; left--) {
    const fromUs = atUs + dice.integer(1, Math.round(healUs / 3));
    atUs = fromUs + dice.scaled(10_000, 45 * SECOND);
    if (fromUs < healUs) outages.push([fromUs, Math.min(atUs, healUs)]);
    atUs++;
  }
  return outages.filter(([fromUs, toUs]) => toUs > fromUs);
}

function drawPaths(
  seed: number,
  features: ReadonlySet<Feature>,
  frame: Frame,
  healed: Impairments,
): Scenario["paths"] {
  if (!features.has("asymmetry")) return [];
  const paths: { from: number; to: number; impairments: Impairments }[] = [];
  for (let station = 1; station < frame.count; station++) {
    for (const [from, to] of [
      [0, station],
      [station, 0],
    ] as const) {
      const dice = new Dice(seed, `path ${from} ${to}`);
      const loss = features.has("loss") && dice.chance(0.7) ? dice.between(0, 0.4) : 0;
      const impairments = { ...healed, ...drawImpairments(seed, `${from}>${to}`, features, frame) };
      paths.push({ from, to, impairments: { ...impairments, loss } });
    }
  }
  return paths;
}
