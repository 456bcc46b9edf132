import { Dice, SECOND } from "./dice.js";
import type { Feature } from "./features.js";
import { type Frame, MEGABYTE } from "./frame.js";
import { NAMED_BYTES_MIN } from "./payload.js";
import type { SendPlan, StationPlan } from "./scenario.js";

const SEND_COUNT_MAX = 60;

export function drawSends(
  seed: number,
  features: ReadonlySet<Feature>,
  frame: Frame,
  stations: readonly StationPlan[],
): SendPlan[] {
  const dice = new Dice(seed, "sends");
  const count = dice.scaled(2, SEND_COUNT_MAX) + (frame.count > 6 ? frame.count : 0);
  const isOneWay = dice.chance(0.2);
  let fragmentsLeft = frame.fragmentsMax;
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
    bytes: Math.max(isRequest ? NAMED_BYTES_MIN : 0, drawSize(dice, features, frame)),
    way: isRequest ? "unordered" : way,
    channel: isRequest ? undefined : channel,
    priority: dice.pick(["bulk", "normal", "normal", "urgent"]),
    deadlineMs: hasDeadline ? deadlineMs : undefined,
    abortAtUs: isAborted ? abortAtUs : undefined,
    afterRestart: resends ? "resend" : "report",
    firstContact: shakesHands ? "handshake" : "data",
  };
}

function drawSize(dice: Dice, features: ReadonlySet<Feature>, frame: Frame): number {
  const size = dice.between(0, 1);
  const isHuge = dice.chance(0.08) && frame.hasMegabytes;
  const huge = dice.scaled(400_000, 4 * MEGABYTE);
  const bulk = dice.chance(0.1) ? dice.scaled(2000, 400_000) : dice.scaled(500, 20_000);
  const small = dice.scaled(4, 300);
  if (isHuge) return huge;
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
