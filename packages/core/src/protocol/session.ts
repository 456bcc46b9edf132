import type { AckFrame } from "../wire/ack-frame.js";
import type { ByteWriter } from "../wire/byte-writer.js";
import type { DataFrame } from "../wire/data-frame.js";
import { crcMatches, sealDatagram } from "../wire/datagram.js";
import { asksForAck, decodeFrames, type Frame } from "../wire/frames.js";
import {
  ASK,
  type Ask,
  CRC_BYTES,
  type Head,
  isLongForm,
  LONG_HEAD_BYTES,
  PROTECTED_LONG_HEAD_BYTES,
  SHORT_HEAD_BYTES,
  TAG_BYTES,
} from "../wire/head.js";
import type { LooseFrame } from "../wire/loose-frame.js";
import { NO_SESSION_FRAME_BYTES } from "../wire/no-session-frame.js";
import { AckPolicy } from "./ack-policy.js";
import type { ProtocolConfig } from "./config.js";
import type { LongContent } from "./long-datagram.js";
import { LooseReceiver, LooseSender } from "./loose.js";
import type { OutgoingMessage } from "./outgoing-message.js";
import { Pacer } from "./pacer.js";
import type { Peer } from "./peer.js";
import { PeerSink } from "./peer-sink.js";
import { ProbeTimer, TELLING_SEND_US_MIN } from "./probe-timer.js";
import type { PairKey } from "./protection.js";
import { Receiver } from "./receiver.js";
import { ReplayWindow } from "./replay-window.js";
import { GRANULARITY_US, RoundTrip } from "./round-trip.js";
import { fullPayload, Sender } from "./sender.js";
import {
  PROTECTED_EXTRA_BYTES,
  PROTECTED_NO_SESSION_BYTES,
  type ProtectedSender,
  SessionGuard,
} from "./session-guard.js";
import { nextPhase, type Phase, type Trigger } from "./session-state.js";
import type { TraceListener } from "./trace.js";

/** What a session gets from whoever owns all of them. */
export interface SessionEnvironment {
  readonly config: ProtocolConfig;
  /** MTU of our own link, bytes. */
  readonly mtuBytes: number;
  /** Uniform u32. */
  random(): number;
  /** Smoothed round trip of the link's other peers, microseconds; 0: unknown. */
  linkRoundTripUs(): number;
  noteLinkRoundTrip(us: number): void;
  readonly trace?: TraceListener | undefined;
}

/** Left-at times remembered for datagrams that asked, so that their ack gives a round trip. */
interface AskedDatagram {
  readonly number: number;
  readonly handedUs: number;
  /** -1 while it is with the link. */
  leftUs: number;
}
const ASKED_MAX = 32;
/** Bytes of a NO-SESSION datagram; a shorter datagram is not answered with one. */
export const NO_SESSION_BYTES = LONG_HEAD_BYTES + NO_SESSION_FRAME_BYTES + CRC_BYTES;
/** A session ends before its numbers would be used again; section 2.3. */
export const NUMBER_MAX = 0xffff_fff0;
/** Round trips measured under load are left out, but not for ever. */
const SAMPLES_LEFT_OUT_MAX = 32;
/** In a row without a sign of the peer: then sending waits for the probe timer; section 7.3. */
const NOT_ACKNOWLEDGED_MAX = 3;

/**
 * The state shared with one peer: phases, numbers, timers, and the parts that send and receive.
 * It coordinates and holds no bytes of frames; {@link composeDatagram} writes them.
 */
export class Session {
  phase: Phase = "idle";
  /** The peer's token, 0 until it is known. */
  peerToken = 0;
  /** Number of the next datagram. */
  nextNumber: number;
  /**
   * What may be sent at once: our link's MTU, and the peer's once known. Of a protected session less by
   * what its tag takes beyond a CRC: so all else reckons as in a plain one.
   */
  mtuBytes: number;
  /** Its keys; without them it is a plain session. */
  readonly guard: SessionGuard | undefined;
  peerWindow = 0;
  /** It answers, but neither takes nor gives messages until its token comes back; section 4.4. */
  isCandidate = false;
  #isOpener = false;
  /** Number of the first datagram since the peer's token is what it is. */
  #tokenSince = 0;
  /** Numbers of the last openings before that, from the first one up to the one behind the last. */
  #openedFrom = 0;
  #openedTo = 0;
  received = new ReplayWindow();
  readonly roundTrip = new RoundTrip();
  readonly acks: AckPolicy;
  readonly probe: ProbeTimer;
  readonly pacer = new Pacer();
  readonly sender: Sender;
  readonly looseSender: LooseSender;
  receiver: Receiver | undefined;
  looseReceiver: LooseReceiver | undefined;
  /** Openings repeated, for the rule of every fourth; section 4.3. */
  openingProbes = 0;
  /** A datagram that asks must go out although there is nothing else to send. */
  isProbeDue = false;
  /** The peer may have lost the session: the next question names both tokens. */
  isSuspect = false;
  /** Something that must be acknowledged went out, and nothing has asked for the ack yet. */
  needsAsk = false;
  /** Datagrams in a row whose acks left no room for messages that were ready. */
  acksInTheWay = 0;
  /** Datagrams since one asked. */
  sinceAsk = 0;
  /** First datagram that echoed the peer's token; -1 before. */
  firstEchoNumber = -1;
  confirmDueUs = Number.POSITIVE_INFINITY;
  /** Instant at which a closed window is probed. */
  windowProbeDueUs = Number.POSITIVE_INFINITY;
  #windowProbes = 0;
  bytesReceived = 0;
  bytesSent = 0;
  datagramsReceived = 0;
  datagramsSent = 0;
  heardUs: number;
  sendSpacingUs = 0;
  #lastOutcomeUs = 0;
  #lastOutcomeNumber = -1;
  #notAcknowledged = 0;
  #asked: AskedDatagram[] = [];
  #samplesLeftOut = 0;
  #isRoundTripDoubtful = false;

  constructor(
    readonly peer: Peer,
    readonly token: number,
    readonly environment: SessionEnvironment,
    nowUs: number,
    key?: PairKey,
  ) {
    const { config } = environment;
    this.nextNumber = token >>> 16;
    this.guard = key && new SessionGuard(token, environment.random, key);
    this.mtuBytes = this.#reckonedMtu(environment.mtuBytes);
    this.heardUs = nowUs;
    this.acks = new AckPolicy(config.ackDelayUs);
    this.probe = new ProbeTimer(
      config,
      this.roundTrip,
      environment.linkRoundTripUs,
      environment.random,
    );
    this.sender = new Sender(token & 0xffff, peer.queues, {
      roundTrip: this.roundTrip,
      onProgress: (message, isDone) => peer.noteProgress(message, isDone),
      onReplaced: (message) => peer.endMessage(message, { outcome: "replaced" }),
      address: peer.address,
      trace: environment.trace,
    });
    this.looseSender = new LooseSender(peer.looseQueue, token & 0xffff);
  }

  #reckonedMtu(mtuBytes: number): number {
    return this.guard ? mtuBytes - PROTECTED_EXTRA_BYTES : mtuBytes;
  }

  /** Bytes before the frames of a datagram of the long form. */
  get longHeadBytes(): number {
    return this.guard ? PROTECTED_LONG_HEAD_BYTES : LONG_HEAD_BYTES;
  }

  /** Bytes behind the frames. */
  get tailBytes(): number {
    return this.guard ? TAG_BYTES : CRC_BYTES;
  }

  /** Bytes of a NO-SESSION datagram; a shorter datagram is not answered with one. */
  get noSessionBytes(): number {
    return this.guard ? PROTECTED_NO_SESSION_BYTES : NO_SESSION_BYTES;
  }

  /** Puts the CRC or the tag behind a datagram that is written up to `out.at`. */
  seal(out: ByteWriter, number: number): Uint8Array {
    if (!this.guard) return sealDatagram(out, this.peerToken, this.token, number);
    const headBytes = isLongForm(out.bytes) ? PROTECTED_LONG_HEAD_BYTES : SHORT_HEAD_BYTES;
    return this.guard.seal(out, headBytes, number);
  }

  /** Frames of a short datagram; `corrupt`: it is damaged, or not of this session. */
  readShort(datagram: Uint8Array, head: Head & { form: "short" }, number: number): LongContent {
    const { guard } = this;
    let bytes: Uint8Array | undefined = datagram;
    let from: number = head.headBytes;
    let to = datagram.length - CRC_BYTES;
    if (guard) {
      bytes = guard.openShort(datagram, from, number);
      from = 0;
      to = bytes?.length ?? 0;
    } else if (!crcMatches(datagram, this.token, this.peerToken, number)) bytes = undefined;
    if (!bytes) return "corrupt";
    const frames = decodeFrames(bytes, from, to);
    return frames.ok ? frames.value : "malformed";
  }

  /** Its numbers are used up: nothing more may be sent in it. */
  get isUsedUp(): boolean {
    return this.nextNumber > NUMBER_MAX;
  }

  get isVerified(): boolean {
    return this.phase === "open";
  }

  /** Bytes that may still be sent to a peer that has not proved where it is; section 4.3. */
  get unverifiedCredit(): number {
    // Whoever wanted to talk to this address before it spoke is not bound by what it says.
    const isBound = this.phase === "answering" && !this.#isOpener;
    if (!isBound) return Number.POSITIVE_INFINITY;
    return this.datagramsSent < this.datagramsReceived ? this.bytesReceived - this.bytesSent : 0;
  }

  /** Our side wants this session, whoever speaks first. */
  noteWanted(): void {
    this.#isOpener ||= this.phase !== "open";
    this.move("open-requested");
  }

  /** An answer that may not go to an unverified peer is given up like one to a silent peer. */
  get #unverifiedDueUs(): number {
    const isStuck = this.phase === "answering" && !this.#isOpener && this.sender.hasMessages;
    return isStuck
      ? this.heardUs + this.environment.config.unreachableUs
      : Number.POSITIVE_INFINITY;
  }

  move(trigger: Trigger): void {
    this.phase = nextPhase(this.phase, trigger);
  }

  /**
   * The peer does not know the token that datagram `number` went to. Nothing was lost with a session
   * that never was: if that token was only believed to be the peer's, we open again.
   * @returns whether the session is over
   */
  noteNoSession(number: number): boolean {
    // Openings are answered so only if our own token is one of a session that is over.
    if (!this.isVerified && number >= this.#openedFrom && number < this.#openedTo) return true;
    if (number < this.#tokenSince || number >= this.nextNumber) return false;
    if (this.isVerified || !this.#isOpener || this.peerToken === 0) return true;
    this.#forgetPeerToken();
    return false;
  }

  /** The token that was believed to be the peer's is not, or not any more: open anew with our own. */
  #forgetPeerToken(): void {
    this.peerToken = 0;
    this.#tokenSince = this.nextNumber;
    this.#dropReceived();
    this.received = new ReplayWindow();
    this.receiver = this.looseReceiver = undefined;
    this.peerWindow = 0;
    this.guard?.forgetPeer();
    this.mtuBytes = this.#reckonedMtu(this.environment.mtuBytes);
    this.move("claim-refuted");
    this.probe.awaited = -1;
    this.acks.noteSent();
    this.sender.loseAll();
  }

  /** The peer's token has become known, or another one than was claimed: what it sends can be received. */
  adoptPeerToken(token: number, sender?: ProtectedSender): void {
    if (this.peerToken !== 0) this.#forgetPeerToken();
    else if (this.#tokenSince < this.nextNumber) {
      this.#openedFrom = this.#tokenSince;
      this.#openedTo = this.nextNumber;
    }
    this.peerToken = token;
    if (sender) this.guard?.adopt(token, sender);
    this.#tokenSince = this.firstEchoNumber = this.nextNumber;
    const { config } = this.environment;
    const limits = {
      window: config.window,
      fragmentBytes: () => fullPayload(this.mtuBytes),
      messageBytesMax: config.messageBytesMax,
      streamBytesMax: config.streamBytesMax,
    };
    const { budget, waitingBudget } = this.peer;
    const sink = new PeerSink(this.peer, this);
    this.receiver = new Receiver(token & 0xffff, limits, budget, waitingBudget, sink);
    this.looseReceiver = new LooseReceiver(budget, waitingBudget, config.messageBytesMax, sink);
  }

  /** The peer has sent our token back. */
  noteEcho(nowUs: number): void {
    if (this.phase === "open") return;
    this.move("echo-received");
    if (this.#isOpener) {
      const hasRequest = this.sender.find(14) ?? this.sender.find(15);
      this.confirmDueUs = nowUs + (hasRequest ? 0 : this.environment.config.confirmDelayUs);
    }
  }

  /**
   * Take the frames of a datagram that is new and belongs to this session.
   * @param isShort - a short datagram shows that the peer has verified us
   */
  handleFrames(
    number: number,
    ask: Ask,
    frames: readonly Frame[],
    bytes: number,
    isShort: boolean,
    nowUs: number,
  ): void {
    this.received.take(number);
    this.bytesReceived += bytes;
    this.datagramsReceived++;
    this.heardUs = nowUs;
    this.#notAcknowledged = 0;
    this.probe.noteHeard(nowUs);
    if (isShort) this.confirmDueUs = Number.POSITIVE_INFINITY;
    const elicits = frames.some(asksForAck);
    this.acks.noteArrival(number, ask, elicits, nowUs);
    if (ask === ASK.now && !elicits) this.receiver?.mentionAll();
    this.looseReceiver?.expire(nowUs);
    const acks: AckFrame[] = [];
    for (const frame of frames) {
      if (frame.type === "ack") acks.push(frame);
      else this.#handleFrame(frame, nowUs);
      if (this.phase === "closed") return;
    }
    this.receiver?.drain();
    if (acks.length > 0 && !this.isCandidate) this.#handleAcks(acks, number, nowUs);
  }

  #handleFrame(frame: Frame, nowUs: number): void {
    const { peer } = this;
    if (frame.type === "hello") {
      this.#handleHello(frame.mtuBytes, frame.window);
      return;
    }
    if (this.isCandidate) return;
    switch (frame.type) {
      case "data":
        this.#handleData(frame);
        break;
      case "skip":
        if (!this.receiver?.handleSkip(frame.channel, frame.next)) peer.statistics.malformed++;
        break;
      case "loose":
        this.#handleLoose(frame, nowUs);
        break;
      case "stop":
        this.#handleStop(frame.channel, frame.first, frame.reason, nowUs);
        break;
      case "close":
        peer.endSession("peer-closed", nowUs);
        break;
    }
  }

  #handleHello(peerMtuBytes: number, window: number): void {
    if (this.peerWindow > 0) return;
    this.peerWindow = window;
    this.mtuBytes = this.#reckonedMtu(Math.min(this.environment.mtuBytes, peerMtuBytes));
    this.sender.handleHello(window, fullPayload(this.mtuBytes) + 3);
    this.peer.endOversizedLoose(this.mtuBytes);
  }

  #handleLoose(frame: LooseFrame, nowUs: number): void {
    // Parts of messages are held for those only who have proved where they are.
    const isTaken =
      (this.isVerified || !frame.fragmented) && this.looseReceiver?.accept(frame, nowUs);
    if (!isTaken) this.peer.statistics.fragmentsDropped++;
  }

  #handleData(frame: DataFrame): void {
    const { statistics } = this.peer;
    const isSingle = frame.first && frame.last;
    if (!this.isVerified && !isSingle) {
      statistics.fragmentsDropped++;
      return;
    }
    const taken = this.receiver?.handleData(frame);
    if (taken === "duplicate") statistics.duplicateFragments++;
    else if (taken === "dropped") statistics.fragmentsDropped++;
    else if (taken === "contradiction") statistics.malformed++;
  }

  #handleAcks(acks: readonly AckFrame[], carrier: number, nowUs: number): void {
    const low = (acks[0] as AckFrame).largest;
    const lastSent = this.nextNumber - 1;
    const largest = lastSent - ((lastSent - low) & 0xffff);
    const { statistics } = this.peer;
    if (largest < this.token >>> 16) {
      statistics.malformed++;
      return;
    }
    const reach = this.#judgedUpTo(largest, nowUs);
    this.#sampleRoundTrip(largest, (acks[0] as AckFrame).prompt, nowUs);
    const { unsound, lost, judged, mistaken, isContrary } = this.sender.handleAcks(
      acks,
      largest,
      reach,
      carrier,
      nowUs,
    );
    statistics.malformed += unsound;
    statistics.fragmentsLost += lost - Math.min(mistaken, statistics.fragmentsLost);
    if (isContrary) {
      // Something is taken for delivered that is not there: nothing would ever send it again.
      statistics.malformed++;
      this.peer.endSession("peer-restarted", nowUs);
    }
    if (unsound > 0 || isContrary) return;
    this.probe.noteAnswered(judged);
    if (this.firstEchoNumber >= 0 && largest >= this.firstEchoNumber)
      this.confirmDueUs = Number.POSITIVE_INFINITY;
    if (mistaken > 0) this.pacer.noteMistaken(mistaken);
    this.pacer.noteAck(largest, lost, this.sendSpacingUs, nowUs);
    this.noteWindows(nowUs);
    this.#forgetNeedlessQuestion(largest);
  }

  /**
   * How far an ack speaks: at least to its `largest`. If the datagram that asked left a whole round
   * trip ago and the ack does not name it, the receiver sent the ack after it should have come.
   */
  #judgedUpTo(largest: number, nowUs: number): number {
    const { awaited } = this.probe;
    if (awaited <= largest || this.sender.reordering > 0 || !this.roundTrip.isMeasured)
      return largest;
    const asked = this.#asked.find((datagram) => datagram.number === awaited);
    // Of a link that answers before its medium is done nobody knows when it has left.
    if (!asked || asked.leftUs < asked.handedUs + TELLING_SEND_US_MIN) return largest;
    // On a link faster than that, the round trip is that of the event loop, which may stand still.
    const roundTripUs = Math.max(this.roundTrip.leastUs, GRANULARITY_US);
    return asked.leftUs + roundTripUs <= nowUs ? awaited : largest;
  }

  #sampleRoundTrip(largest: number, isPrompt: boolean, nowUs: number): void {
    if (!isPrompt) return;
    const asked = this.#asked.find((datagram) => datagram.number === largest);
    this.#asked = this.#asked.filter((datagram) => datagram.number > largest);
    if (!asked) return;
    const sampleUs = nowUs - (asked.leftUs < 0 ? asked.handedUs : asked.leftUs);
    // On a half-duplex link our own later datagrams hold up the ack: a long sample says little then.
    const { roundTrip } = this;
    const isClean = largest === this.nextNumber - 1;
    const isDoubtful = !isClean && sampleUs > 2 * roundTrip.smoothedUs;
    if (roundTrip.isMeasured && isDoubtful && ++this.#samplesLeftOut < SAMPLES_LEFT_OUT_MAX) return;
    this.#samplesLeftOut = 0;
    // What began with a doubtful sample begins anew with the first good one.
    if (isClean && this.#isRoundTripDoubtful) roundTrip.forget();
    this.#isRoundTripDoubtful = !isClean && (this.#isRoundTripDoubtful || !roundTrip.isMeasured);
    roundTrip.addSample(sampleUs);
    this.environment.noteLinkRoundTrip(this.roundTrip.smoothedUs);
  }

  /** An older question was answered, and nothing is open that the newer ones were put for. */
  #forgetNeedlessQuestion(largest: number): void {
    const isConfirmed = this.firstEchoNumber >= 0 && largest >= this.firstEchoNumber;
    if (isConfirmed && this.sender.inFlight === 0 && !this.sender.isBlockedByWindow)
      this.probe.awaited = -1;
  }

  /** Whether the peer's windows hold everything back, and when to ask again; section 8. */
  noteWindows(nowUs: number): void {
    if (!this.sender.isBlockedByWindow) {
      this.#windowProbes = 0;
      this.windowProbeDueUs = Number.POSITIVE_INFINITY;
    } else if (this.probe.awaited < 0 && this.windowProbeDueUs === Number.POSITIVE_INFINITY) {
      this.windowProbeDueUs = nowUs + this.probe.intervalUs(2 * this.#windowProbes++);
    }
  }

  #handleStop(channelNumber: number, first: number, reason: number, nowUs: number): void {
    const channel = this.sender.find(channelNumber);
    const message = channel?.messageAt(first);
    if (!channel || !message || message.hasEnded) return;
    this.peer.handleStop(message, channel, reason);
    this.noteWindows(nowUs);
  }

  /** Nobody could be heard while the link was down: silence counts from now. */
  noteLinkUp(nowUs: number): void {
    this.heardUs = nowUs;
    this.probe.noteLinkUp(nowUs);
  }

  /** A datagram was composed and goes to the link. */
  noteHandedOver(number: number, bytes: number, ask: Ask, elicits: boolean, nowUs: number): void {
    this.nextNumber = number + 1;
    this.bytesSent += bytes;
    this.datagramsSent++;
    if (ask === ASK.now) {
      if (this.isProbeDue)
        this.environment.trace?.({ type: "probe-sent", peer: this.peer.address, number });
      this.sinceAsk = 0;
      this.needsAsk = false;
      this.isProbeDue = false;
      this.isSuspect = false;
      this.probe.noteAsked(number, nowUs);
      this.windowProbeDueUs = Number.POSITIVE_INFINITY;
      // The oldest stay: behind a long queue they are the ones whose acks come next.
      if (this.#asked.length < ASKED_MAX) this.#asked.push({ number, handedUs: nowUs, leftUs: -1 });
    } else {
      this.sinceAsk++;
      this.needsAsk ||= elicits;
    }
  }

  /** The link says what became of datagram `number`. */
  handleOutcome(
    number: number,
    outcome: "left" | "not-acknowledged" | "never-left" | "gone",
    nowUs: number,
  ): void {
    if (this.phase === "closed") return;
    for (const message of this.looseSender.takeLeft(number)) {
      if (outcome === "never-left" && message.fragmentsSent === 1) this.peer.requeueLoose(message);
      else this.peer.endMessage(message, { outcome: "sent" });
    }
    if (outcome === "left" || outcome === "not-acknowledged") this.#noteLeft(number, nowUs);
    if (outcome === "left") {
      this.#notAcknowledged = 0;
      return;
    }
    if (outcome === "not-acknowledged" && ++this.#notAcknowledged > NOT_ACKNOWLEDGED_MAX) return;
    this.sender.loseDatagram(number);
    this.noteWindows(nowUs);
    if (this.probe.awaited === number && this.phase !== "opening") {
      this.probe.awaited = -1;
      this.needsAsk = true;
    } else if (outcome !== "not-acknowledged") {
      this.probe.noteLeft(number, nowUs);
    }
  }

  #noteLeft(number: number, nowUs: number): void {
    const asked = this.#asked.find((datagram) => datagram.number === number);
    if (asked) asked.leftUs = nowUs;
    this.probe.noteLeft(number, nowUs);
    if (this.sender.reordering > 0) {
      for (const channel of this.sender.channels) channel.noteLeft(number, nowUs);
    }
    if (number === this.#lastOutcomeNumber + 1 && !asked) {
      this.sendSpacingUs += (nowUs - this.#lastOutcomeUs - this.sendSpacingUs) / 8;
    }
    this.#lastOutcomeNumber = number;
    this.#lastOutcomeUs = nowUs;
  }

  /** Earliest instant at which {@link handleTimeout} has something to do; acks apart. */
  get timeoutUs(): number {
    return Math.min(
      this.probe.dueUs,
      this.#unreachableDueUs,
      this.sender.lossDueUs,
      this.confirmDueUs,
      this.windowProbeDueUs,
      this.#keepAliveDueUs,
      this.pacer.wakeUs,
      this.looseReceiver?.dueUs ?? Number.POSITIVE_INFINITY,
    );
  }

  get #unreachableDueUs(): number {
    return Math.min(this.probe.unreachableUs, this.#unverifiedDueUs, this.#abandonedDueUs);
  }

  /** A sender that is still there asks every few seconds; parts of a message whose sender has gone are not kept. */
  get #abandonedDueUs(): number {
    const holdsPart = this.receiver?.holdsPart ?? false;
    return holdsPart
      ? this.heardUs + 2 * this.environment.config.unreachableUs
      : Number.POSITIVE_INFINITY;
  }

  get #keepAliveDueUs(): number {
    const { keepAliveUs } = this.environment.config;
    const isWaiting = this.probe.awaited >= 0 || this.isProbeDue;
    const isQuiet = keepAliveUs > 0 && this.phase === "open" && !isWaiting;
    return isQuiet ? this.heardUs + keepAliveUs : Number.POSITIVE_INFINITY;
  }

  handleTimeout(nowUs: number): void {
    if (this.sender.lossDueUs <= nowUs) {
      this.peer.statistics.fragmentsLost += this.sender.detectLosses(nowUs);
      this.noteWindows(nowUs);
    }
    if (this.#unreachableDueUs <= nowUs) {
      this.peer.endSession("peer-unreachable", nowUs);
      return;
    }
    if (this.probe.dueUs <= nowUs) this.#probeNow(nowUs);
    if (Math.min(this.confirmDueUs, this.windowProbeDueUs, this.#keepAliveDueUs) <= nowUs)
      this.isProbeDue = true;
    if (this.confirmDueUs <= nowUs) this.confirmDueUs = Number.POSITIVE_INFINITY;
    this.windowProbeDueUs =
      this.windowProbeDueUs <= nowUs ? Number.POSITIVE_INFINITY : this.windowProbeDueUs;
    this.pacer.noteTime(nowUs);
    this.looseReceiver?.expire(nowUs);
  }

  #probeNow(nowUs: number): void {
    this.probe.count++;
    this.probe.noteAsked(this.probe.awaited, nowUs);
    // One more that the neighbour does not take, and sending waits again.
    this.#notAcknowledged = NOT_ACKNOWLEDGED_MAX;
    this.isProbeDue = true;
    this.peer.statistics.probesSent++;
    if (this.phase !== "opening") return;
    this.openingProbes++;
    this.sender.loseAll();
  }

  /** The session is over: give everything held back, and say what was under way. */
  close(): { streams: number[]; messages: OutgoingMessage[]; loose: OutgoingMessage[] } {
    this.move("ended");
    const streams = this.#dropReceived();
    const messages = this.isCandidate
      ? []
      : this.sender.channels.flatMap((channel) => channel.takeUnfinished());
    return { streams, messages, loose: this.looseSender.takeUnfinished() };
  }

  /** Give back all that is held. @returns streams that were in progress */
  #dropReceived(): number[] {
    this.looseReceiver?.clear();
    return this.receiver?.close() ?? [];
  }
}
