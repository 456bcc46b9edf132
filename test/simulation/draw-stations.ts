import type { ProtocolConfig } from "@fardel/core";
import { Dice, SECOND } from "./dice.js";
import type { Feature } from "./features.js";
import { type Frame, MEGABYTE } from "./frame.js";
import type { QueuePlan, ReaderPlan, StationPlan } from "./scenario.js";

export function drawStations(
  seed: number,
  features: ReadonlySet<Feature>,
  frame: Frame,
): StationPlan[] {
  return Array.from({ length: frame.count }, (_, index) => {
    const dice = new Dice(seed, `station ${index}`);
    const smaller = dice.chance(0.3) ? 20 : dice.integer(20, frame.mtuBytes);
    const isSmaller = features.has("mixedMtu") && dice.chance(0.6);
    const mtuBytes = isSmaller ? smaller : frame.mtuBytes;
    return {
      address: Uint8Array.of(2, 0, 0, 0, index >> 8, index & 255),
      mtuBytes,
      config: drawConfig(seed, index, features, mtuBytes, frame.hasMegabytes),
      reader: drawReader(seed, index, features, frame),
      accept: {
        streamShare: features.has("streams") ? dice.pick([0.2, 1]) : 0,
        cancelShare: features.has("cancels") ? 0.2 : 0,
        refuseShare: features.has("refusals") ? 0.15 : 0,
      },
      queue: drawQueue(seed, index, features, frame),
    };
  });
}

function drawConfig(
  seed: number,
  index: number,
  features: ReadonlySet<Feature>,
  mtuBytes: number,
  hasMegabytes: boolean,
): Partial<ProtocolConfig> {
  const dice = new Dice(seed, `config ${index}`);
  const config: Partial<ProtocolConfig> = {
    ...(hasMegabytes && { messageBytesMax: 5 * MEGABYTE, peerBytesMax: 10 * MEGABYTE }),
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
  if (features.has("keepAlive")) config.keepAliveUs = rest.scaled(500_000, 60 * SECOND);
  if (features.has("dutyCycle")) config.airtimeShare = rest.pick([0.1, 0.3, 0.7]);
  // Only what a run means to make unreachable may be: plain loss, however unlucky, is no reason.
  if (features.has("impatience")) config.unreachableUs = rest.integer(2 * SECOND, 10 * SECOND);
  else if (!features.has("outages")) config.unreachableUs = 3600 * SECOND;
  return config;
}

function drawQueue(
  seed: number,
  index: number,
  features: ReadonlySet<Feature>,
  frame: Frame,
): QueuePlan {
  const dice = new Dice(seed, `queue ${index}`);
  const hidden = dice.chance(0.6) ? dice.scaled(1, 100) : 0;
  const fullUs: [number, number][] = [];
  let atUs = 0;
  for (let left = dice.integer(1, 20); left > 0; left--) {
    const fromUs = atUs + dice.integer(1, Math.round(frame.healUs / 4));
    atUs = fromUs + dice.scaled(100, SECOND);
    if (atUs < frame.healUs) fullUs.push([fromUs, atUs]);
  }
  return {
    fullUs: features.has("sharedQueues") ? fullUs : [],
    hidden: features.has("hiddenQueues") ? hidden : 0,
  };
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
