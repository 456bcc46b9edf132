import type { Priority, ProtocolConfig, Way } from "@fardel/core";
import type { Airtime, Impairments, MediumSettings } from "@fardel/lossy-link";
import { Random } from "@fardel/lossy-link";
import { FEATURE_NAMES, type Feature } from "./features.js";
import { NAMED_BYTES_MIN } from "./payload.js";

/** How a station takes what arrives. */
export interface ReaderPlan {
  readonly kind: "loop" | "callback";
  /** Virtual time spent on each message at most, microseconds. */
  readonly delayUsMax: number;
  /** Intervals in which nothing is read, microseconds. */
  readonly pauses: readonly (readonly [fromUs: number, toUs: number])[];
}

/** Shares, 0 to 1, of the messages that a station takes in another way than whole. */
export interface AcceptPlan {
  readonly streamShare: number;
  readonly cancelShare: number;
  readonly refuseShare: number;
}

export interface StationPlan {
  readonly address: Uint8Array;
  readonly mtuBytes: number;
  readonly config: Partial<ProtocolConfig>;
  readonly reader: ReaderPlan;
  readonly accept: AcceptPlan;
}

/** One message or request that will be sent. */
export interface SendPlan {
  readonly atUs: number;
  readonly from: number;
  readonly to: number;
  readonly kind: "message" | "request";
  readonly bytes: number;
  readonly way: Way;
  readonly channel: number | undefined;
  readonly priority: Priority;
  readonly deadlineMs: number | undefined;
  readonly abortAtUs: number | undefined;
  readonly afterRestart: "report" | "resend";
  readonly firstContact: "data" | "handshake";
}

/** Something that is done to a station. */
export interface StrokePlan {
  readonly atUs: number;
  readonly station: number;
  readonly kind: "restart" | "radio" | "close";
  /** For how long the radio stays off; for a restart -1: it does not notice. */
  readonly deafUs: number;
  /** Peer whose session is closed. */
  readonly peer: number;
}

/** Everything about one run, drawn from its seed. */
export interface Scenario {
  readonly seed: number;
  readonly features: ReadonlySet<Feature>;
  readonly medium: MediumSettings;
  readonly impairments: Impairments;
  /** What differs on single paths. */
  readonly paths: readonly { from: number; to: number; impairments: Impairments }[];
  readonly healed: Impairments;
  readonly stations: readonly StationPlan[];
  readonly sends: readonly SendPlan[];
  readonly strokes: readonly StrokePlan[];
  /** When all faults end, microseconds. */
  readonly healUs: number;
  /** Longest a datagram may be held up on its way, microseconds. */
  readonly lateUsMax: number;
}

/** Without a deadline of its own a message has this one: far beyond the end of any run. */
export const NO_DEADLINE_MS = 30_000_000;

const SECOND = 1_000_000;
/** Fragments of all messages of a run together, so that a run takes a fraction of a second. */
const FRAGMENTS_MAX = 2500;
const SEND_COUNT_MAX = 60;

/** Draws with a name of their own, so that switching one thing off shifts nothing else. */
class Dice {
  readonly #random: Random;

  constructor(seed: number, label: string) {
    this.#random = new Random(seed).stream(label);
  }

  chance(probability: number): boolean {
    return this.#random.uniform() < probability;
  }

  integer(min: number, max: number): number {
    return this.#random.integer(min, Math.max(min, max));
  }

  /** Every doubling between the two is as likely as the next. Whole numbers; no logarithm, whose last
   * bits are left to the engine. */
  scaled(min: number, max: number): number {
    let doublings = 1;
    for (let top = 2 * min; top < max; top *= 2) doublings++;
    let low = min;
    for (let left = this.#random.integer(0, doublings - 1); left > 0; left--) low *= 2;
    return Math.min(max, this.#random.integer(Math.round(low), Math.round(2 * low)));
  }

  between(min: number, max: number): number {
    return min + this.#random.uniform() * (max - min);
  }

  pick<T>(items: readonly T[]): T {
    return items[this.#random.integer(0, items.length - 1)] as T;
  }
}

/** @param without - features that stay off whatever the seed says */
export function drawScenario(seed: number, without: ReadonlySet<Feature> = new Set()): Scenario {
  const dice = new Dice(seed, "features");
  const share = dice.pick([0.15, 0.35, 0.5, 0.75]);
  const drawn = FEATURE_NAMES.filter(() => dice.chance(share));
  const features = new Set(drawn.filter((feature) => !without.has(feature)));
  const frame = drawFrame(seed, features);
  const stations = drawStations(seed, features, frame);
  const sends = drawSends(seed, features, frame, stations);
  const { paths, ...air } = drawAir(seed, features, frame);
  return {
    seed,
    features,
    ...air,
    paths,
    stations,
    sends,
    strokes: drawStrokes(seed, features, frame),
    healUs: frame.healUs,
    lateUsMax: 2 * LATE_US_MAX + SECOND,
  };
}

/** What everything else hangs on. */
interface Frame {
  readonly mtuBytes: number;
  readonly count: number;
  readonly healUs: number;
  readonly airtime: Airtime;
}

const LATE_US_MAX = 5 * SECOND;
const AIRTIMES: readonly Airtime[] = [
  { fixedUs: 552, perByteUs: 8, overheadBytes: 43 },
  { fixedUs: 380, perByteUs: 8, overheadBytes: 17 },
  { fixedUs: 1632, perByteUs: 32, overheadBytes: 25 },
  { fixedUs: 20_000, perByteUs: 160, overheadBytes: 10 },
  { fixedUs: 0, perByteUs: 0, overheadBytes: 0 },
  { fixedUs: 1, perByteUs: 1, overheadBytes: 0 },
];

function drawFrame(seed: number, features: ReadonlySet<Feature>): Frame {
  const dice = new Dice(seed, "frame");
  const mtuBytes = dice.chance(0.5)
    ? dice.pick([20, 21, 24, 32, 47, 48, 64, 102, 250, 250, 250, 1500])
    : dice.integer(20, 1500);
  const isCrowd = features.has("crowd");
  const count = isCrowd ? (dice.chance(0.2) ? dice.integer(7, 50) : dice.integer(3, 6)) : 2;
  const healUs =
    dice.scaled(SECOND / 2, 120 * SECOND) + (features.has("pausedReaders") ? 60 * SECOND : 0);
  return { mtuBytes, count, healUs, airtime: dice.pick(AIRTIMES) };
}

function drawAir(
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

function drawStations(seed: number, features: ReadonlySet<Feature>, frame: Frame): StationPlan[] {
  return Array.from({ length: frame.count }, (_, index) => {
    const dice = new Dice(seed, `station ${index}`);
    const smaller = dice.chance(0.3) ? 20 : dice.integer(20, frame.mtuBytes);
    const isSmaller = features.has("mixedMtu") && dice.chance(0.6);
    const mtuBytes = isSmaller ? smaller : frame.mtuBytes;
    return {
      address: Uint8Array.of(2, 0, 0, 0, index >> 8, index & 255),
      mtuBytes,
      config: drawConfig(seed, index, features, mtuBytes),
      reader: drawReader(seed, index, features, frame),
      accept: {
        streamShare: features.has("streams") ? dice.pick([0.2, 1]) : 0,
        cancelShare: features.has("cancels") ? 0.2 : 0,
        refuseShare: features.has("refusals") ? 0.15 : 0,
      },
    };
  });
}

function drawConfig(
  seed: number,
  index: number,
  features: ReadonlySet<Feature>,
  mtuBytes: number,
): Partial<ProtocolConfig> {
  const dice = new Dice(seed, `config ${index}`);
  const config: Partial<ProtocolConfig> = {
    window: dice.pick([1, 2, 3, 4, 8, 16, 64, 64, 255, dice.integer(1, 255)]),
    linkDepth: dice.pick([1, 2, 2, 3, 8]),
  };
  if (features.has("smallBudgets"))
    Object.assign(config, drawBudgets(new Dice(seed, `budgets ${index}`), mtuBytes));
  const queues = new Dice(seed, `queues ${index}`);
  if (features.has("smallQueues")) {
    config.sendQueueMessagesMax = queues.scaled(1, 30);
    config.sendQueueBytesMax = queues.scaled(200, 50_000);
  }
  const rest = new Dice(seed, `rest ${index}`);
  if (features.has("keepAlive")) config.keepAliveUs = rest.scaled(200_000, 30 * SECOND);
  if (features.has("dutyCycle")) config.airtimeShare = rest.pick([0.1, 0.3, 0.7]);
  // Only what a run means to make unreachable may be: plain loss, however unlucky, is no reason.
  if (features.has("impatience")) config.unreachableUs = rest.integer(2 * SECOND, 10 * SECOND);
  else if (!features.has("outages")) config.unreachableUs = 3600 * SECOND;
  return config;
}

function drawBudgets(dice: Dice, mtuBytes: number): Partial<ProtocolConfig> {
  const messageBytesMax = dice.scaled(100, 100_000);
  const least = Math.max(1024, messageBytesMax + 64, mtuBytes + 64);
  const peerBytesMax = least + (dice.chance(0.3) ? 0 : dice.scaled(1, 20_000));
  return {
    messageBytesMax,
    peerBytesMax,
    totalBytesMax: peerBytesMax + (dice.chance(0.3) ? 0 : dice.scaled(1, 50_000)),
    strangerBytesMax: dice.pick([0, 100, 1000, 65_536]),
    streamBytesMax: dice.scaled(1024, 20_000),
  };
}

function drawReader(
  seed: number,
  index: number,
  features: ReadonlySet<Feature>,
  frame: Frame,
): ReaderPlan {
  const dice = new Dice(seed, `reader ${index}`);
  const isCallback = dice.chance(0.5);
  const delayUsMax = dice.chance(0.7) ? dice.scaled(1000, 2 * SECOND) : 0;
  const fromUs = dice.integer(0, Math.round(frame.healUs / 2));
  const pauseUs = dice.scaled(SECOND, 600 * SECOND);
  const pauses: [number, number][] = dice.chance(0.7) ? [[fromUs, fromUs + pauseUs]] : [];
  return {
    kind: features.has("callbacks") && isCallback ? "callback" : "loop",
    delayUsMax: features.has("slowReaders") ? delayUsMax : 0,
    pauses: features.has("pausedReaders") ? pauses : [],
  };
}

function drawStrokes(seed: number, features: ReadonlySet<Feature>, frame: Frame): StrokePlan[] {
  const strokes: StrokePlan[] = [];
  const kinds = { restarts: "restart", radioRestarts: "radio", closes: "close" } as const;
  for (const [feature, kind] of Object.entries(kinds)) {
    if (!features.has(feature as Feature)) continue;
    const dice = new Dice(seed, kind);
    for (let left = dice.integer(1, 4); left > 0; left--) {
      const station = dice.chance(0.4) ? 0 : dice.integer(0, frame.count - 1);
      const isUnnoticed = kind === "restart" && dice.chance(0.5);
      strokes.push({
        atUs: dice.integer(0, frame.healUs),
        station,
        kind,
        deafUs: isUnnoticed ? -1 : dice.scaled(1000, 10 * SECOND),
        peer: station === 0 ? dice.integer(1, frame.count - 1) : 0,
      });
    }
  }
  return strokes;
}

function drawSends(
  seed: number,
  features: ReadonlySet<Feature>,
  frame: Frame,
  stations: readonly StationPlan[],
): SendPlan[] {
  const dice = new Dice(seed, "sends");
  const count = dice.scaled(2, SEND_COUNT_MAX) + (frame.count > 6 ? frame.count : 0);
  const isOneWay = dice.chance(0.2);
  let fragmentsLeft = FRAGMENTS_MAX;
  const sends: SendPlan[] = [];
  for (let index = 0; index < count; index++) {
    const board = 1 + (index < frame.count - 1 ? index : dice.integer(0, frame.count - 2));
    const [from, to] = isOneWay || dice.chance(0.5) ? [0, board] : [board, 0];
    const mtu = Math.min(stations[from]?.mtuBytes ?? 20, stations[to]?.mtuBytes ?? 20);
    const send = drawSend(seed, index, features, frame, from, to);
    const fragments = Math.ceil(send.bytes / Math.max(8, mtu - 8)) + 1;
    const isTooMuch = fragments > fragmentsLeft;
    sends.push(isTooMuch ? { ...send, bytes: 9 } : send);
    fragmentsLeft -= isTooMuch ? 1 : fragments;
  }
  if (features.has("floods")) sends.push(...drawFlood(seed, frame));
  return sends.sort((one, other) => one.atUs - other.atUs);
}

function drawSend(
  seed: number,
  index: number,
  features: ReadonlySet<Feature>,
  frame: Frame,
  from: number,
  to: number,
): SendPlan {
  const dice = new Dice(seed, `send ${index}`);
  const isRequest = dice.chance(0.3) && features.has("requests");
  const atUs = dice.chance(0.3)
    ? dice.pick([0, Math.round(frame.healUs / 2)])
    : dice.integer(0, frame.healUs);
  const wayDrawn = dice.pick([
    "ordered",
    "ordered",
    "unordered",
    "latest",
    "unacknowledged",
  ] as const);
  const isLoose = wayDrawn === "unacknowledged";
  const way = isLoose && !features.has("loose") ? "ordered" : wayDrawn;
  const channel = dice.chance(0.5) ? dice.integer(0, way === "ordered" ? 5 : 3) : undefined;
  const deadlineMs = dice.scaled(1, 20_000);
  const hasDeadline = dice.chance(0.4) && features.has("deadlines");
  const abortAtUs = atUs + dice.scaled(1, 10 * SECOND);
  const isAborted = dice.chance(0.3) && features.has("aborts");
  const resends = dice.chance(0.5) && features.has("resend");
  const shakesHands = dice.chance(0.5) && features.has("handshake");
  return {
    atUs,
    from,
    to,
    kind: isRequest ? "request" : "message",
    bytes: Math.max(isRequest ? NAMED_BYTES_MIN : 0, drawSize(dice, features)),
    way: isRequest ? "unordered" : way,
    channel: isRequest ? undefined : channel,
    priority: dice.pick(["bulk", "normal", "normal", "urgent"]),
    deadlineMs: hasDeadline ? deadlineMs : undefined,
    abortAtUs: isAborted ? abortAtUs : undefined,
    afterRestart: resends ? "resend" : "report",
    firstContact: shakesHands ? "handshake" : "data",
  };
}

function drawSize(dice: Dice, features: ReadonlySet<Feature>): number {
  const size = dice.between(0, 1);
  const bulk = dice.chance(0.1) ? dice.scaled(2000, 400_000) : dice.scaled(500, 20_000);
  const small = dice.scaled(4, 300);
  if (size < 0.06) return 0;
  if (size < 0.1) return dice.integer(1, 3);
  if (size < 0.75 || !features.has("bulk")) return small;
  return bulk;
}

/** Many values on one channel at once: most of them are replaced before they leave. */
function drawFlood(seed: number, frame: Frame): SendPlan[] {
  const dice = new Dice(seed, "flood");
  const channel = dice.integer(0, 3);
  const startUs = dice.integer(0, frame.healUs);
  const spacingUs = dice.pick([0, 1000, 20_000]);
  const isUp = dice.chance(0.5);
  const bytes = dice.pick([6, 20, 700]);
  return Array.from({ length: dice.integer(5, 60) }, (_, index) => ({
    atUs: startUs + index * spacingUs,
    from: isUp ? 1 : 0,
    to: isUp ? 0 : 1,
    kind: "message",
    bytes,
    way: "latest",
    channel,
    priority: "normal",
    deadlineMs: undefined,
    abortAtUs: undefined,
    afterRestart: "report",
    firstContact: "data",
  }));
}
