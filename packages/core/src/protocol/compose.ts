import { ackFrameBytes } from "../wire/ack-frame.js";
import { ByteWriter } from "../wire/byte-writer.js";
import { encodeClose } from "../wire/close-frame.js";
import {
  ASK,
  type Ask,
  CRC_BYTES,
  encodeLongHead,
  encodeShortHead,
  patchAsk,
  VERSION,
} from "../wire/head.js";
import { encodeHello, HELLO_FRAME_BYTES } from "../wire/hello-frame.js";
import { encodePad } from "../wire/pad-frame.js";
import { encodeSkip, SKIP_FRAME_BYTES } from "../wire/skip-frame.js";
import { varintBytes } from "../wire/varint.js";
import { QUIET_NUMBERS_MAX } from "./ack-policy.js";
import { PRIORITY_RANK } from "./channels.js";
import { DATA_HEAD_BYTES, type FragmentSlot } from "./fragment-slot.js";
import type { SendChannel } from "./send-channel.js";
import { fullPayload } from "./sender.js";
import type { Session } from "./session.js";

/** An opening is at least as long as its answer; PROTOCOL.md, section 4.3. */
const OPENING_BYTES_MIN = 48;
/** Datagrams with acks in a row that may keep messages waiting. */
const ACKS_IN_THE_WAY_MAX = 2;
/** Repeats of an opening with data before HELLO alone is tried. */
const BARE_FROM = 4;
/** Fragments up to this size, together, ride on a probe; section 7.4. */
const PROBE_DATA_BYTES_MAX = 64;
/** Beyond the greatest acknowledged number the short form could not be completed; section 2.3. */
const SHORT_FORM_REACH = 1000;
/** An ack is wanted after so many datagrams in any case; section 6. */
const ASK_EVERY_MAX = 64;

/** A fragment chosen for the datagram being written. */
interface Pick {
  readonly channel: SendChannel;
  readonly slot: FragmentSlot;
}

/** What {@link composeDatagram} wrote. */
export interface Composed {
  readonly datagram: Uint8Array;
  readonly number: number;
}

/**
 * Rank of what a session would send now: 3 acks and probes, 2 to 0 messages by priority, -1 nothing.
 */
export function transmitRank(session: Session, nowUs: number): number {
  if (
    session.phase === "closed" ||
    session.phase === "idle" ||
    session.unverifiedCredit < session.longHeadBytes + session.tailBytes
  )
    return -1;
  if (session.acks.dueUs <= nowUs || session.isProbeDue) return 3;
  if (session.isCandidate) return -1;
  if (session.isVerified && session.sender.isSkipDue) return 3;
  if (needsQuestion(session)) return 3;
  if (session.phase === "opening" && session.probe.awaited < 0) return openingRank(session);
  const rank = dataRank(session);
  return rank >= 0 && !session.pacer.holds(nowUs) ? rank : -1;
}

/**
 * Something is in flight, nothing more can go, and no timer would ever ask: an announced question
 * was not put, or its answer left something open. What keeps every message moving.
 */
function needsQuestion(session: Session): boolean {
  if (session.probe.awaited >= 0 || session.sender.lossDueUs !== Number.POSITIVE_INFINITY)
    return false;
  return (session.needsAsk || session.sender.inFlight > 0) && dataRank(session) < 0;
}

/** An opening is as urgent as the foremost message that it is for. */
function openingRank(session: Session): number {
  const ranks = session.sender.channels.map(
    (channel) => channel.foremost?.rank ?? channel.nextLost()?.message?.rank ?? 0,
  );
  return Math.max(0, session.looseSender.foremost?.rank ?? 0, ...ranks);
}

function dataRank(session: Session, isRepeatAllowed = false): number {
  const channel = session.sender.next(wholeOnlyBytes(session), session.isVerified);
  const rank = channel?.rank(wholeOnlyBytes(session), session.isVerified) ?? -1;
  // While an opening waits for its answer, only the probe timer repeats what it carried.
  const isAwaiting = session.probe.awaited >= 0;
  const isRepeat =
    session.phase === "opening" && isAwaiting && !isRepeatAllowed && channel?.nextLost();
  // What may not go to an unverified peer makes us ask it to prove itself.
  if (!channel && session.phase === "answering" && !isAwaiting && hasMessages(session)) return 0;
  return Math.max(isRepeat ? -1 : rank, looseRank(session));
}

function hasMessages({ sender, looseSender }: Session): boolean {
  return sender.hasMessages || looseSender.foremost !== undefined;
}

function looseRank(session: Session): number {
  const message = session.looseSender.foremost;
  if (!message || session.isVerified) return message?.rank ?? -1;
  if (message.options.firstContact === "handshake") return -1;
  if (session.phase !== "opening") return message.rank;
  // Before the answer only what fits beside HELLO goes; the rest waits for it.
  const bytes = session.looseSender.nextFrameBytes(session.mtuBytes);
  return bytes + varintBytes(bytes) <= wholeOnlyBytes(session) ? message.rank : -1;
}

/** Numbers sent beyond what the peer is known to have received; section 2.3. */
function numbersAhead(session: Session): number {
  // An echo of our token shows that the peer has received one datagram at least.
  return session.nextNumber - Math.max(session.sender.largestAcked, session.token >>> 16);
}

/** Room for a DATA frame in an opening. A protected one carries none: a replayed one must deliver nothing. */
function wholeOnlyBytes(session: Session): number {
  if (session.guard && session.phase === "opening") return 0;
  return session.mtuBytes - session.longHeadBytes - HELLO_FRAME_BYTES - CRC_BYTES;
}

/** Write the next datagram of a session that has something to say ({@link transmitRank}) into `buffer`. */
export function composeDatagram(
  session: Session,
  buffer: Uint8Array,
  nowUs: number,
): Composed | undefined {
  const composer = new Composer(session, new ByteWriter(buffer), nowUs);
  return composer.compose();
}

/** CLOSE, best effort. */
export function composeClose(session: Session, buffer: Uint8Array, reason: number): Composed {
  const out = new ByteWriter(buffer);
  const number = session.nextNumber++;
  encodeLongHead(out, ASK.none, session.token, session.peerToken, number, session.guard?.own.salt);
  encodeClose(out, reason);
  return { datagram: session.seal(out, number), number };
}

/** One datagram being written. */
class Composer {
  readonly #picks: Pick[] = [];
  #loose = false;
  #elicits = false;
  #wroteAck = false;

  constructor(
    readonly session: Session,
    readonly out: ByteWriter,
    readonly nowUs: number,
  ) {}

  compose(): Composed | undefined {
    const { session, out, nowUs } = this;
    const number = session.nextNumber;
    const isProbe = session.isProbeDue;
    const isBare = this.#isBareOpening;
    const isLong = this.#writeHead(number);
    const frames = out.at;
    this.#writeAcks();
    if (!session.isCandidate) {
      this.#writeSkips(number);
      if (!isBare) this.#writeMessages(number, isProbe);
    }
    if (session.phase === "opening" && !isBare) this.#pad();
    const ask = this.#ask(isProbe, isLong);
    const isEmpty = out.at === frames && ask !== ASK.now && !this.#wroteAck;
    if (isEmpty) return undefined;
    // As long as the NO-SESSION that it may be answered with; section 4.4.
    const missing = session.noSessionBytes - session.tailBytes - out.at;
    if (isLong && missing > 0 && out.room > 0) encodePad(out, Math.min(missing, out.room));
    out.limit = out.bytes.length;
    patchAsk(out.bytes, ask);
    const datagram = session.seal(out, number);
    session.noteHandedOver(number, datagram.length, ask, this.#elicits, nowUs);
    const { roundTrip } = session;
    if (this.#picks.length > 0)
      session.pacer.noteSent(nowUs, roundTrip.isMeasured ? roundTrip.smoothedUs : undefined);
    if (this.#wroteAck) session.peer.statistics.acksSent++;
    const isInTheWay = this.#wroteAck && this.#picks.length === 0 && dataRank(session) >= 0;
    session.acksInTheWay = isInTheWay ? session.acksInTheWay + 1 : 0;
    return { datagram, number };
  }

  /**
   * HELLO alone, as short as can be, in case the peer's MTU is too small for the rest: every second
   * repeat, from the fifth opening on, or from the second if there is nothing that it could carry.
   */
  get #isBareOpening(): boolean {
    const { session } = this;
    const repeats = session.openingProbes;
    if (session.phase !== "opening" || !session.isProbeDue) return false;
    return repeats >= BARE_FROM
      ? repeats % 2 === 0
      : repeats % 2 === 1 && dataRank(session, true) < 0;
  }

  #writeHead(number: number): boolean {
    const { session, out } = this;
    const isSuspicious = session.isSuspect || (session.isProbeDue && session.probe.count >= 2);
    const isLong =
      session.phase !== "open" || isSuspicious || numbersAhead(session) > SHORT_FORM_REACH;
    const { guard, tailBytes, mtuBytes: reckonedMtu } = session;
    const room = Math.min(out.bytes.length, session.unverifiedCredit) - tailBytes;
    out.limit = Math.min(reckonedMtu - CRC_BYTES, room);
    if (!isLong) {
      encodeShortHead(out, ASK.none, number, guard !== undefined);
      return false;
    }
    encodeLongHead(out, ASK.none, session.token, session.peerToken, number, guard?.own.salt);
    if (session.phase !== "open" && out.room >= HELLO_FRAME_BYTES) {
      const { mtuBytes, config } = session.environment;
      encodeHello(out, VERSION, mtuBytes, config.window);
    }
    return true;
  }

  /** Acks that are due; others ride along if they do not push out a fragment. */
  #writeAcks(): void {
    const { session, out, nowUs } = this;
    const { acks, received, receiver } = session;
    if (!receiver || acks.dueUs === Number.POSITIVE_INFINITY) return;
    // With small datagrams acks can fill every one: messages get their turn in between.
    if (session.acksInTheWay >= ACKS_IN_THE_WAY_MAX && dataRank(session) >= 0) return;
    const isDue = acks.dueUs <= nowUs;
    if (!isDue && !this.#canRide(receiver.ackBytes())) return;
    // With the smallest datagrams HELLO leaves no room: it answers alone, the ack follows when asked again.
    const isPrompt = acks.isPrompt(received.highest);
    acks.noteSent();
    const hasRoom = out.room >= ackFrameBytes(0);
    if (hasRoom && !receiver.writeAcks(out, received.highest, isPrompt)) acks.request(nowUs);
    this.#wroteAck = true;
  }

  #canRide(bytes: number): boolean {
    const { session, out } = this;
    const channel = session.sender.next(wholeOnlyBytes(session), session.isVerified);
    const lost = channel?.nextLost();
    if (lost) return lost.frameBytes + bytes <= out.room;
    const message = channel?.foremost;
    if (!message) return bytes <= out.room;
    const left = message.bytes.length - message.cutBytes + DATA_HEAD_BYTES;
    const isLong = left > fullPayload(session.mtuBytes);
    return isLong ? bytes * 4 <= out.room : left + bytes <= out.room;
  }

  #writeSkips(number: number): void {
    const { session, out } = this;
    if (!session.isVerified) return;
    for (const channel of session.sender.channels) {
      if (!channel.isSkipDue || out.room < SKIP_FRAME_BYTES) continue;
      encodeSkip(out, channel.channel, channel.skipTo);
      channel.noteSkipSent(number);
      this.#elicits = true;
    }
  }

  #writeMessages(number: number, isProbe: boolean): void {
    const { session, nowUs } = this;
    // With something useful to send, that asks; otherwise asking alone is cheaper than repeating.
    const isBareProbe = isProbe && session.phase === "open" && dataRank(session) < 0;
    if (isBareProbe) this.#pickForProbe();
    else if (!session.pacer.holds(nowUs)) this.#pickByRank(number);
    this.#flushPicks(number);
  }

  #pickForProbe(): void {
    let room = Math.min(this.out.room, PROBE_DATA_BYTES_MAX);
    for (const channel of this.session.sender.channels) {
      for (const slot of channel.smallInFlight(room)) {
        const bytes = slot.frameBytes + varintBytes(slot.frameBytes);
        if (bytes > room) return;
        room -= bytes;
        this.#picks.push({ channel, slot });
      }
    }
  }

  /** Fill the datagram, the most urgent first. */
  #pickByRank(number: number): void {
    const { session, out } = this;
    const { sender } = session;
    let room = out.room;
    for (;;) {
      const channel = sender.next(wholeOnlyBytes(session), session.isVerified);
      const rank = channel?.rank(wholeOnlyBytes(session), session.isVerified) ?? -1;
      const loose = looseRank(session) >= 0 ? session.looseSender.foremost : undefined;
      const previous = this.#picks[this.#picks.length - 1];
      const lengthBytes = previous ? varintBytes(previous.slot.frameBytes - DATA_HEAD_BYTES) : 0;
      if (loose && loose.rank >= rank) {
        // Written at once, with its length: unacknowledged messages are not remembered.
        if (!this.#writeLoose(number, room - lengthBytes)) return;
        room = this.out.room - this.#pickedBytes();
        continue;
      }
      if (!channel) return;
      const slot = this.#chooseFragment(channel, room - lengthBytes);
      if (!slot) return;
      this.#picks.push({ channel, slot });
      room -= lengthBytes + slot.frameBytes;
      sender.noteServed(channel);
      // Noted now, so that the next round does not choose it again.
      channel.noteSent(slot, number, this.nowUs);
    }
  }

  #pickedBytes(): number {
    return this.#picks.reduce(
      (sum, { slot }) => sum + slot.frameBytes + varintBytes(slot.frameBytes),
      0,
    );
  }

  #chooseFragment(channel: SendChannel, room: number): FragmentSlot | undefined {
    const { session } = this;
    const lost = channel.nextLost();
    if (lost) return lost.frameBytes <= room ? lost : undefined;
    const message = channel.foremost;
    if (!message) return undefined;
    const left = message.bytes.length - message.cutBytes;
    const full = fullPayload(session.mtuBytes);
    const isWhole = !message.hasBegun && left + DATA_HEAD_BYTES <= room;
    if (isWhole) return channel.cut(room - DATA_HEAD_BYTES);
    if (!session.isVerified) return undefined;
    // What fits in a datagram of its own is not cut; the rest is, into what is worth a datagram.
    const fitsAlone = !message.hasBegun && left <= full;
    const isWorthIt =
      room * 2 >= session.mtuBytes || room - DATA_HEAD_BYTES >= Math.min(left + 4, full);
    return fitsAlone || !isWorthIt ? undefined : channel.cut(room - DATA_HEAD_BYTES);
  }

  #writeLoose(number: number, room: number): boolean {
    const { session, out } = this;
    const bytes = session.looseSender.nextFrameBytes(session.mtuBytes);
    if (bytes + varintBytes(bytes) > room)
      return bytes <= out.room && this.#writeLastLoose(number, bytes, room);
    session.looseSender.write(out, number, session.mtuBytes, true);
    this.#loose = true;
    return true;
  }

  /** A frame that fits only without its length ends the datagram. */
  #writeLastLoose(number: number, bytes: number, room: number): false {
    if (this.#picks.length === 0 && bytes <= room) {
      this.session.looseSender.write(this.out, number, this.session.mtuBytes, false);
      this.#loose = true;
    }
    return false;
  }

  #flushPicks(number: number): void {
    const { out, nowUs } = this;
    const { statistics } = this.session.peer;
    this.#picks.forEach(({ channel, slot }, at) => {
      const isLast = at === this.#picks.length - 1;
      if (slot.number !== number) channel.noteSent(slot, number, nowUs);
      if (slot.previousNumber >= 0) statistics.fragmentsRepeated++;
      else statistics.fragmentsSent++;
      channel.write(out, slot, !isLast);
      this.#elicits = true;
    });
  }

  /** Openings are padded, behind HELLO: the answer must not be longer than they are. */
  #pad(): void {
    const { out, session } = this;
    const missing = Math.min(OPENING_BYTES_MIN - session.tailBytes - out.at, out.room);
    if (missing <= 0) return;
    const start = session.longHeadBytes + HELLO_FRAME_BYTES;
    out.bytes.copyWithin(start + missing, start, out.at);
    out.bytes.fill(0, start, start + missing);
    out.at += missing;
  }

  /** Whether this datagram asks for an ack, or announces one that will; section 6. */
  #ask(isProbe: boolean, isLong: boolean): Ask {
    const { session } = this;
    const { sender } = session;
    if (isProbe || session.phase === "opening") return ASK.now;
    if (session.isCandidate) return ASK.none;
    if (!this.#elicits && !this.#loose) return this.#mustAsk(isLong) ? ASK.now : ASK.none;
    if (session.sinceAsk + 1 >= this.#askEvery() || this.#endsUrgent()) return ASK.now;
    if (this.#loose && !this.#elicits) return ASK.none;
    const more = sender.sendableCount(3, fullPayload(session.mtuBytes));
    return more === 0 ? ASK.now : more === 1 ? ASK.next : more === 2 ? ASK.afterNext : ASK.none;
  }

  /** A command whose loss would otherwise be noticed only at the end of the blob's window. */
  #endsUrgent(): boolean {
    if (this.session.probe.awaited >= 0) return false;
    return this.#picks.some(({ slot }) => slot.last && slot.message?.rank === PRIORITY_RANK.urgent);
  }

  /** Whether a datagram that nobody needs to acknowledge asks all the same. */
  #mustAsk(isLong: boolean): boolean {
    const { session, nowUs } = this;
    if (session.probe.awaited >= 0) return false;
    // Something waits that cannot go: the peer must prove itself first, or tell how far it has come.
    const isStuck = isLong && dataRank(session) >= 0 && !session.pacer.holds(nowUs);
    const isQuiet = session.isVerified && numbersAhead(session) >= QUIET_NUMBERS_MAX;
    return isStuck || isQuiet || needsQuestion(session);
  }

  #askEvery(): number {
    const { session } = this;
    const window = Math.max(1, session.peerWindow);
    const windowUs = window * session.sendSpacingUs;
    const isLongRoundTrip = session.roundTrip.smoothedUs * 4 > windowUs;
    return isLongRoundTrip ? Math.min(ASK_EVERY_MAX, Math.max(1, window >>> 1)) : ASK_EVERY_MAX;
  }
}
