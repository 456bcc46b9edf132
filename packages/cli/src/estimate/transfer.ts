import { ANNOUNCED, Feedback, sumOf, triggeredIfLost } from "./feedback.js";
import type { LinkModel } from "./link-model.js";
import { estimateOpening } from "./opening.js";
import { repeatRounds, windowedRounds } from "./rounds.js";
import { cutMessage } from "./wire-bytes.js";

/**
 * One message from a gateway to a board that it has never spoken to, as formulas. What is counted
 * goes on until the sender has its receipt; the time ends when the message is there.
 */
export interface TransferEstimate {
  readonly fragments: number;
  /** Rounds of sending what is missing, until it is there. */
  readonly rounds: number;
  /** On air, of both sides, on the mean; transmissions by the radio's own repetition included. */
  readonly datagrams: {
    readonly opening: number;
    readonly data: number;
    readonly acks: number;
    readonly probes: number;
    readonly total: number;
  };
  /** Of both sides, microseconds. */
  readonly airtimeUs: number;
  /** Of the sender alone, microseconds. */
  readonly senderAirtimeUs: number;
  /** From sending to delivery, microseconds, on the mean. */
  readonly timeUs: number;
  /** A bound that at most one delivery in a hundred exceeds, by design of the formulas. */
  readonly lateUs: number;
}

/** Deviations between mean and bound. */
export const LATE_DEVIATIONS = 4;
/** What the formulas leave out, as a share of the bound. */
export const LATE_MARGIN = 0.02;
/** Datagrams after which the sender asks in any case; PROTOCOL.md, section 6. */
const ASK_EVERY = 64;

/**
 * What was sent in vain before the round trip was known comes back among the data: measured with the
 * simulation, one datagram in nine at first, three in all.
 */
const HELD_UP_BY = 3;
const HELD_UP_SHARE = 9;

/** Datagrams of which one lost ends a round trip that only our own datagrams make long: measured. */
const ENDS_SELF_DELAY = 8;

export function estimateTransfer(link: LinkModel, bytes: number, window: number): TransferEstimate {
  const opening = estimateOpening(link, bytes);
  const bursts = opening.carriesMessage ? NO_BURSTS : estimateBursts(link, bytes, window);
  const { transmissions } = link;
  const { data, acks, probes } = bursts;
  return {
    fragments: cutMessage(bytes, link.mtuBytes).fragments,
    rounds: opening.carriesMessage ? opening.attempts : bursts.rounds,
    datagrams: {
      opening: transmissions * opening.datagrams,
      data: transmissions * data,
      acks: transmissions * acks,
      probes: transmissions * probes,
      total: transmissions * (opening.datagrams + data + acks + probes),
    },
    airtimeUs: opening.airtimeUs + bursts.airtimeUs,
    senderAirtimeUs: opening.senderAirtimeUs + bursts.senderAirtimeUs,
    // The message is there before the neighbour's radio confirms its last datagram.
    timeUs: opening.timeUs + bursts.timeUs - link.afterUs,
    lateUs: Math.ceil((1 + LATE_MARGIN) * (opening.lateUs + bursts.lateUs - link.afterUs)),
  };
}

interface BurstEstimate {
  readonly rounds: number;
  readonly data: number;
  readonly acks: number;
  readonly probes: number;
  readonly airtimeUs: number;
  readonly senderAirtimeUs: number;
  readonly timeUs: number;
  readonly lateUs: number;
}

const NO_BURSTS: BurstEstimate = {
  rounds: 0,
  data: 0,
  acks: 0,
  probes: 0,
  airtimeUs: 0,
  senderAirtimeUs: 0,
  timeUs: 0,
  lateUs: 0,
};

/** All fragments in rounds, with a question at the end of each; PROTOCOL.md, sections 5 to 7. */
function estimateBursts(link: LinkModel, bytes: number, window: number): BurstEstimate {
  const { mtuBytes, datagramLoss: loss } = link;
  const { fragments, lastBytes } = cutMessage(bytes, mtuBytes);
  const fullUs = link.datagramUs(mtuBytes);
  const meanOf = (ofDatagram: (bytes: number) => number) =>
    ((fragments - 1) * ofDatagram(mtuBytes) + ofDatagram(lastBytes)) / fragments;
  const data = fragments / (1 - loss);
  const perRound = Math.min(window, fragments);
  const rounds = windowedRounds(fragments, window, loss);

  const feedback = new Feedback(link, perRound, rounds.total);
  const slidingBurst = (fragments - perRound) / (1 - loss) / Math.max(1, rounds.sliding);
  const slides = feedback.after(1 - loss ** Math.min(ANNOUNCED + 1, slidingBurst), rounds.sliding);
  const repeats = repeatRounds(perRound, loss).map(({ goesOn, burst }) =>
    feedback.after(triggeredIfLost(loss, burst), goesOn),
  );
  const stops = [slides, ...repeats];
  // The last question comes with a datagram that has arrived: that is why the message is whole.
  const questions = [...stops, feedback.after(1, 1)];

  const { overlapUs, between } = halfWindows(link, feedback, window, perRound, rounds.total);
  const needless = feedback.needlessProbes(mtuBytes);
  const probes = sumOf(questions, "probes") + needless;
  const acks = sumOf(questions, "acks") + (between + needless) * (1 - loss);
  const dataBusyUs = data * meanOf((size) => link.busyUs(size));
  const probeBusyUs = probes * link.busyUs(feedback.probeBytes);
  const timeUs =
    data * meanOf((size) => link.datagramUs(size)) +
    sumOf(stops, "us") -
    (rounds.total - 1) * overlapUs +
    Math.min(HELD_UP_BY, fragments / HELD_UP_SHARE) * (needless > 0 ? fullUs : 0) +
    link.delayUs;
  const varianceUs2 =
    ((fragments * loss) / (1 - loss) ** 2) * fullUs ** 2 +
    data * link.varianceUs2(mtuBytes) +
    sumOf(stops, "varianceUs2") +
    rounds.variance * feedback.plainUs ** 2;
  // A single lapse of a short message is rare and dear: three deviations would not cover it.
  const lapseUs = loss > 0 ? feedback.lateUs + fullUs + link.extraUs(mtuBytes) : 0;
  return {
    rounds: rounds.total,
    data,
    acks,
    probes,
    airtimeUs: dataBusyUs + acks * link.busyUs(feedback.ackBytes) + probeBusyUs,
    senderAirtimeUs: dataBusyUs + probeBusyUs,
    timeUs,
    lateUs: timeUs + Math.max(LATE_DEVIATIONS * Math.sqrt(varianceUs2), lapseUs),
  };
}

/**
 * Where the round trip is long, the sender asks at half a window too, and the other half goes on
 * meanwhile; PROTOCOL.md, section 6.
 *
 * @returns how much of the wait at the end of a window that saves, and how many more acks it makes
 */
function halfWindows(
  link: LinkModel,
  feedback: Feedback,
  window: number,
  perRound: number,
  rounds: number,
): { readonly overlapUs: number; readonly between: number } {
  const fullUs = link.datagramUs(link.mtuBytes);
  // The first question goes out in mid-burst: its ack waits for the datagram that follows it.
  const isLongTrip = 4 * (fullUs + feedback.plainUs) > window * fullUs;
  if (!isLongTrip || window < 2 || perRound <= window >> 1) {
    return { overlapUs: 0, between: Math.floor(perRound / ASK_EVERY - 1e-9) };
  }
  const halfUs = (perRound / 2) * fullUs;
  // An ack that comes while the other half is on its way waits for the datagrams handed over before.
  const waitUs = link.delayUs < halfUs ? feedback.ackUs + 2 * fullUs : 0;
  // Two acks keep the air busy in any case; where there is a delay, the second half has to cover it.
  const coverUs = link.delayUs > 0 ? feedback.plainUs - halfUs + waitUs : 0;
  const stopUs = Math.max(2 * feedback.ackUs, coverUs);
  // Only a half of which nothing was lost lets the window slide on while the other one is sent. Where
  // nothing but our own datagrams makes the round trip long, a loss ends that state for a while.
  const perilled = link.delayUs > 0 ? perRound / 2 : ENDS_SELF_DELAY * (perRound - 2);
  const share = (1 - link.datagramLoss) ** perilled;
  const between = link.delayUs > 0 ? rounds : share * rounds;
  return { overlapUs: share * (feedback.plainUs - stopUs), between };
}
