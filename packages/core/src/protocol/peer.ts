import { type Frame, isNoSession } from "../wire/frames.js";
import type { Head } from "../wire/head.js";
import { STOP_REASON } from "../wire/stop-frame.js";
import { Budget } from "./budget.js";
import { CHANNEL_COUNT, wayOfChannel } from "./channels.js";
import { HOLDING_BYTES, type ProtocolConfig } from "./config.js";
import type { FardelErrorCode } from "./errors.js";
import type { MessageEnd, ProtocolEvent, SessionEnd } from "./events.js";
import type { LongContent } from "./long-datagram.js";
import { looseBytesMax } from "./loose.js";
import { MessageQueue, type OutgoingMessage } from "./outgoing-message.js";
import type { ProtectedContent } from "./protected-datagram.js";
import type { PairKey, Protection } from "./protection.js";
import type { SendChannel } from "./send-channel.js";
import { Session, type SessionEnvironment } from "./session.js";
import type { ProtectedSender } from "./session-guard.js";
import { createStatistics } from "./statistics.js";

/** Tokens of ended sessions whose openings are dropped; PROTOCOL.md, section 4.4. */
const ENDED_TOKENS_MAX = 4;
/** A message is sent anew after damage so many times. */
const DAMAGED_MAX = 3;

const NO_KEYS: readonly PairKey[] = [];

/** What a peer gets from whoever owns all of them. */
export interface PeerEnvironment extends SessionEnvironment {
  emit(event: ProtocolEvent): void;
  /** The peer has proved itself for the first time. */
  noteVerified(peer: Peer): void;
  nextStream(): number;
  readonly protection: Protection | undefined;
  readonly strangers: Budget;
  readonly total: Budget;
  readonly totalWaiting: Budget;
}

/**
 * One address: its messages on their way out, its session, and the candidate that may replace it.
 * PROTOCOL.md, sections 4 and 10.
 */
export class Peer {
  readonly queues: MessageQueue[] = Array.from({ length: CHANNEL_COUNT }, () => new MessageQueue());
  readonly looseQueue = new MessageQueue();
  readonly statistics = createStatistics();
  readonly budget: Budget;
  readonly waitingBudget: Budget;
  session: Session | undefined;
  candidate: Session | undefined;
  /** It has proved once that it receives at its address; its memory counts as a peer's from then on. */
  isVerified = false;
  rssiDbm: number | undefined;
  radioChannel: number | undefined;
  heardUs = Number.NEGATIVE_INFINITY;
  /** The datagram being handled has turned out to be one of its sessions'. */
  #isHeard = false;
  queuedBytes = 0;
  /** Streams that have begun and that the owner has not taken yet. */
  streamsWaiting = 0;
  /** Requests of the owner to it that have no reply yet. */
  requestsPending = 0;
  readonly #live = new Set<OutgoingMessage>();
  /** Time during which something was on its way to it, microseconds. */
  #busyUs = 0;
  #busySinceUs = 0;
  /** No deadline lies before this; may be too early. */
  deadlineUs = Number.POSITIVE_INFINITY;
  readonly #endedTokens: number[] = [];
  /** Place in the protocol's timer heap and ready list. */
  heapIndex = -1;
  timerUs = Number.POSITIVE_INFINITY;
  readyMask = 0;
  /** What the owner keeps with this peer. */
  handle: unknown;

  constructor(
    readonly address: Uint8Array,
    readonly key: string,
    readonly environment: PeerEnvironment,
  ) {
    const { strangers, totalWaiting, config } = environment;
    this.budget = new Budget(Math.min(strangers.bytesMax, config.peerBytesMax), strangers);
    this.waitingBudget = new Budget(
      config.peerBytesMax - largestReserve(config, environment.mtuBytes),
      this.budget,
      totalWaiting,
    );
  }

  get config(): ProtocolConfig {
    return this.environment.config;
  }

  get queuedMessages(): number {
    return this.#live.size;
  }

  /** Time during which messages were on their way to it, microseconds. */
  busyUs(nowUs: number): number {
    return this.#busyUs + (this.#live.size > 0 ? nowUs - this.#busySinceUs : 0);
  }

  /** Nothing is under way to it or from it, nothing from it is held. */
  get isIdle(): boolean {
    const owes = this.#live.size + this.requestsPending + this.streamsWaiting;
    return owes === 0 && this.budget.heldBytes === 0 && !this.session?.receiver?.holdsPart;
  }

  /** Earliest instant at which something is to be done; what is due already waits to be sent. */
  timeoutUs(nowUs: number): number {
    let due = Math.min(this.deadlineUs, this.session?.timeoutUs ?? Number.POSITIVE_INFINITY);
    for (const session of [this.session, this.candidate]) {
      const ackUs = session?.acks.dueUs ?? 0;
      if (ackUs > nowUs) due = Math.min(due, ackUs);
    }
    return due;
  }

  // Commands

  /** Queue a message; `lane` for unacknowledged ones, else a wire channel. */
  enqueue(message: OutgoingMessage, isLoose: boolean, nowUs: number): void {
    if (this.#live.size === 0) this.#busySinceUs = nowUs;
    this.#live.add(message);
    this.queuedBytes += message.bytes.length;
    this.deadlineUs = Math.min(this.deadlineUs, message.options.deadlineUs);
    if (this.keys === "revoked") {
      this.endMessage(message, { outcome: "failed", code: "peer-revoked", delivery: "none" });
      return;
    }
    const session = this.session ?? this.#openSession(nowUs);
    if (!message.options.isAnswer) session.noteWanted();
    if (isLoose) {
      this.looseQueue.push(message);
      this.endOversizedLoose(session.mtuBytes);
      return;
    }
    session.sender.replaceOlder(message);
    this.queues[message.channel]?.push(message);
    session.sender.activate(message.channel);
  }

  /** The peer takes smaller datagrams than our link: some unacknowledged messages do not go any more. */
  endOversizedLoose(mtuBytes: number): void {
    for (const message of this.looseQueue) {
      if (message.bytes.length <= looseBytesMax(mtuBytes)) continue;
      this.endMessage(message, { outcome: "failed", code: "message-too-large", delivery: "none" });
    }
  }

  /** A message that its owner no longer wants; section 10. */
  abort(message: OutgoingMessage, code: FardelErrorCode, nowUs: number): void {
    if (message.hasEnded) return;
    message.hasEnded = true;
    this.session?.sender.find(message.channel)?.giveUp(message);
    this.endMessage(message, { outcome: "failed", code, delivery: message.delivery });
    // What is left may be only what a closed window holds back: then it is to be asked about.
    this.session?.noteWindows(nowUs);
  }

  #openSession(nowUs: number): Session {
    const session = this.#adoptCandidate() ?? this.#createSession(nowUs);
    session.noteWanted();
    this.session = session;
    return session;
  }

  /** With no session left to protect, whoever asked for the next one gets it without more ado. */
  #adoptCandidate(): Session | undefined {
    const { candidate } = this;
    this.candidate = undefined;
    if (candidate) candidate.isCandidate = false;
    return candidate;
  }

  #createSession(nowUs: number): Session {
    let token = 0;
    while (token === 0) token = this.environment.random() >>> 0;
    this.statistics.sessions++;
    const { keys } = this;
    const key = keys === "revoked" ? undefined : keys[0];
    return new Session(this, token, this.environment, nowUs, key);
  }

  /** Its pair keys; none: it is spoken to in plain. Section 17. */
  get keys(): readonly PairKey[] | "revoked" {
    return this.environment.protection?.keysFor(this.address) ?? NO_KEYS;
  }

  /** Its keys are others now: a session under what is not there any more ends. */
  handleKeysChanged(nowUs: number): void {
    const { keys, session } = this;
    if (keys === "revoked") {
      this.candidate = undefined;
      this.endSession("peer-revoked", nowUs);
      return;
    }
    const isUnder = (some: Session | undefined) =>
      some?.guard ? keys.includes(some.guard.key) : keys.length === 0;
    if (!isUnder(this.candidate)) this.candidate = undefined;
    if (session && !isUnder(session)) this.endSession("peer-restarted", nowUs);
  }

  // Inputs

  /**
   * A datagram came from this address.
   * @param content - what it holds, if it has the long form
   * @returns token to answer NO-SESSION to, or 0
   */
  handleDatagram(
    datagram: Uint8Array,
    head: Head,
    content: LongContent,
    info: { rssiDbm?: number; radioChannel?: number },
    nowUs: number,
    protectedContent?: ProtectedContent,
  ): number {
    this.statistics.datagramsReceived++;
    this.statistics.bytesReceived += datagram.length;
    this.#isHeard = false;
    const { sender, refusedToken } = protectedContent ?? {};
    if (sender) this.environment.protection?.noteRight(this.address, sender.key);
    const isStale = refusedToken && refusedToken !== this.session?.peerToken;
    const isSecret = protectedContent !== undefined;
    const token = isStale ? 0 : this.#dispatch(datagram, head, content, nowUs, isSecret, sender);
    if (this.#isHeard) {
      this.rssiDbm = info.rssiDbm ?? this.rssiDbm;
      this.radioChannel = info.radioChannel ?? this.radioChannel;
    }
    return token;
  }

  #dispatch(
    datagram: Uint8Array,
    head: Head,
    content: LongContent,
    nowUs: number,
    isSecret: boolean,
    sender: ProtectedSender | undefined,
  ): number {
    const { length } = datagram;
    if (head.form === "short") {
      // A session takes only what is protected as it is itself.
      const explained = [this.session, this.candidate].some(
        (each) =>
          (each?.guard !== undefined) === isSecret &&
          this.#handleShort(each, datagram, head, nowUs),
      );
      if (!explained) this.statistics.corruptDatagrams++;
    } else if (content === "corrupt") this.statistics.corruptDatagrams++;
    else if (content === "malformed") this.statistics.malformed++;
    else if (head.tokenFrom === 0) this.#handleNoSession(head, nowUs);
    else if (head.tokenTo === 0) return this.#handleOpening(content, length, head, nowUs, sender);
    else return this.#handleLong(content, length, head, nowUs, sender);
    return 0;
  }

  #handleShort(
    session: Session | undefined,
    datagram: Uint8Array,
    head: Head & { form: "short" },
    nowUs: number,
  ): boolean {
    if (!session || session.peerToken === 0) return false;
    const number = session.received.complete(head.numberLow);
    const frames = number < 0 ? "corrupt" : session.readShort(datagram, head, number);
    if (frames === "corrupt") return false;
    if (frames === "malformed" || isNoSession(frames)) this.statistics.malformed++;
    else this.#take(session, frames, datagram.length, head, number, nowUs);
    return true;
  }

  /** Both tokens are named: it must be our session, or the candidate's first echo. */
  #handleLong(
    frames: readonly Frame[],
    bytes: number,
    head: Head & { form: "long" },
    nowUs: number,
    sender: ProtectedSender | undefined,
  ): number {
    for (const session of [this.session, this.candidate]) {
      if (!session || session.token !== head.tokenTo) continue;
      // Before it has named ours, a token is only somebody's claim.
      const isClaim = session.phase !== "open" && session.peerToken !== head.tokenFrom;
      if (isClaim) {
        if (this.#endedTokens.includes(head.tokenFrom)) {
          // It is still in a session that we have ended: that one is not taken up again. It is told,
          // and since it then takes our token for dead, we begin anew too.
          this.endSession("peer-restarted", nowUs);
          return head.tokenFrom;
        }
        this.#rememberEnded(session.peerToken);
        this.#adopt(session, head.tokenFrom, sender);
      }
      if (session.peerToken === head.tokenFrom) {
        // The peer has gone over to another key that we know.
        if (sender && sender.key !== session.guard?.key)
          session.guard?.adopt(head.tokenFrom, sender);
        this.#take(session, frames, bytes, head, head.number, nowUs);
      } else if (bytes >= session.noSessionBytes) {
        // An old answer, or the peer has lost the session that we have: a question tells.
        session.isSuspect = session.isProbeDue = true;
      }
      return 0;
    }
    return head.tokenFrom;
  }

  /** The peer does not know our token; section 4.4. */
  #handleOpening(
    frames: readonly Frame[],
    bytes: number,
    head: Head & { form: "long" },
    nowUs: number,
    sender: ProtectedSender | undefined,
  ): number {
    const { tokenFrom } = head;
    // A stale copy, and the answer is ignored; or a peer that has not heard that we ended the session.
    if (this.#endedTokens.includes(tokenFrom)) return tokenFrom;
    const isKnown = this.candidate?.peerToken === tokenFrom;
    let session = this.session ?? (isKnown ? this.#adoptCandidate() : undefined);
    session ??= this.#createSession(nowUs);
    this.session ??= session;
    // Whom we have answered with a candidate's token may go on with that one: then it is not claimed.
    if (session.peerToken === 0 && !isKnown) {
      this.#adopt(session, tokenFrom, sender);
      session.move("opening-received");
    } else if (session.peerToken !== tokenFrom) {
      session = this.#candidateFor(tokenFrom, nowUs, sender);
    }
    const may = sender ? mayOpenProtected : mayOpen;
    this.#take(session, frames.filter(may), bytes, head, head.number, nowUs);
    return 0;
  }

  /** A token of the peer belongs to one session only, or its messages could come twice. */
  #adopt(session: Session, tokenFrom: number, sender: ProtectedSender | undefined): void {
    session.adoptPeerToken(tokenFrom, sender);
    if (this.candidate?.peerToken === tokenFrom) this.candidate = undefined;
  }

  #candidateFor(tokenFrom: number, nowUs: number, sender: ProtectedSender | undefined): Session {
    if (this.candidate?.peerToken === tokenFrom) return this.candidate;
    const candidate = this.#createSession(nowUs);
    candidate.isCandidate = true;
    candidate.adoptPeerToken(tokenFrom, sender);
    candidate.move("opening-received");
    this.candidate = candidate;
    return candidate;
  }

  #handleNoSession(head: Head & { form: "long" }, nowUs: number): void {
    const { session } = this;
    if (session?.token !== head.tokenTo) return;
    const { peerToken } = session;
    if (session.noteNoSession(head.number)) this.endSession("peer-restarted", nowUs);
    else if (session.peerToken === 0) this.#rememberEnded(peerToken);
  }

  /** A datagram of this session with a good CRC, decoded. */
  #take(
    session: Session,
    frames: readonly Frame[],
    bytes: number,
    head: Head,
    number: number,
    nowUs: number,
  ): void {
    if (!session.received.isNew(number)) {
      this.statistics.duplicateDatagrams++;
      return;
    }
    this.heardUs = nowUs;
    this.#isHeard = true;
    const isEcho = head.form === "short" || head.tokenTo !== 0;
    if (isEcho && session === this.candidate) this.#promote(session, nowUs);
    if (isEcho && session.phase !== "open") {
      session.noteEcho(nowUs);
      this.#noteVerified(nowUs);
    }
    session.handleFrames(number, head.ask, frames, bytes, head.form === "short", nowUs);
  }

  /** The candidate has proved itself: the old session is over. */
  #promote(candidate: Session, nowUs: number): void {
    this.candidate = undefined;
    candidate.isCandidate = false;
    if (this.session) this.endSession("peer-restarted", nowUs, candidate);
    else this.session = candidate;
  }

  #noteVerified(nowUs: number): void {
    if (!this.isVerified) {
      this.isVerified = true;
      this.budget.moveTo(this.config.peerBytesMax, this.environment.total);
      this.environment.noteVerified(this);
      this.refresh(nowUs);
    }
    this.environment.emit({ type: "session-opened", peer: this });
  }

  /** While the link is down retry timers stand still; deadlines do not. */
  handleTimeout(nowUs: number, isLinkUp: boolean): void {
    if (this.deadlineUs <= nowUs) this.#expire(nowUs);
    if (isLinkUp) this.session?.handleTimeout(nowUs);
  }

  #expire(nowUs: number): void {
    this.deadlineUs = Number.POSITIVE_INFINITY;
    for (const message of [...this.#live]) {
      if (message.options.deadlineUs <= nowUs) this.abort(message, "deadline-passed", nowUs);
      else this.deadlineUs = Math.min(this.deadlineUs, message.options.deadlineUs);
    }
  }

  // What the session reports

  noteProgress(message: OutgoingMessage, isDone: boolean): void {
    if (message.hasEnded) return;
    if (isDone) {
      this.statistics.messagesSent++;
      this.statistics.messageBytesSent += message.bytes.length;
      this.endMessage(message, { outcome: "delivered" });
    } else if (message.options.wantsProgress && !message.isProgressQueued) {
      message.isProgressQueued = true;
      this.environment.emit({ type: "message-progressed", peer: this, message });
    }
  }

  endMessage(message: OutgoingMessage, end: MessageEnd): void {
    message.hasEnded = true;
    if (!this.#live.delete(message)) return;
    if (this.#live.size === 0)
      this.#busyUs += this.heardUs > this.#busySinceUs ? this.heardUs - this.#busySinceUs : 0;
    if (this.#live.size === 0) this.deadlineUs = Number.POSITIVE_INFINITY;
    this.queuedBytes -= message.bytes.length;
    this.environment.emit({ type: "message-ended", peer: this, message, end });
  }

  /** It never left the link: it goes first next time. */
  requeueLoose(message: OutgoingMessage): void {
    message.rewind();
    this.looseQueue.unshift([message]);
  }

  /** The peer does not take a message. */
  handleStop(message: OutgoingMessage, channel: SendChannel, reason: number): void {
    const isLastBegun = channel.unfinished().at(-1) === message;
    const canRepeat =
      reason === STOP_REASON.damaged &&
      ++message.timesDamaged <= DAMAGED_MAX &&
      (isLastBegun || wayOfChannel(message.channel) !== "ordered");
    if (canRepeat) {
      channel.giveUp(message);
      message.rewind();
      this.queues[message.channel]?.unshift([message]);
      return;
    }
    message.hasEnded = true;
    channel.giveUp(message);
    const code = reason === STOP_REASON.damaged ? "damaged" : "refused-by-peer";
    this.endMessage(message, { outcome: "failed", code, delivery: "none", reason });
  }

  /** The owner has taken what was held. */
  release(heldBytes: number, stream: number, nowUs: number): void {
    this.budget.give(heldBytes);
    const receiver = this.session?.receiver;
    if (!receiver) return;
    if (stream >= 0)
      receiver.find((channel) => channel.stream === stream)?.noteStreamRead(stream, heldBytes);
    this.refresh(nowUs);
  }

  /** There may be more room than before. */
  refresh(nowUs: number): void {
    if (this.session?.receiver?.refresh()) this.session.acks.request(nowUs);
  }

  cancelStream(stream: number, nowUs: number): void {
    const channel = this.session?.receiver?.find((each) => each.stream === stream);
    // One of a session that is over: nobody needs to hear of it.
    if (!channel) return;
    channel.cancelStream(stream);
    this.session?.acks.request(nowUs);
  }

  /**
   * The session is over; messages that cannot have arrived, or whose sender said so, go to the next.
   * PROTOCOL.md, section 10.
   */
  endSession(why: SessionEnd, nowUs: number, successor?: Session): void {
    const session = this.session;
    if (!session) return;
    this.session = undefined;
    this.#rememberEnded(session.peerToken);
    const { streams, messages, loose } = session.close();
    for (const stream of streams)
      this.environment.emit({ type: "stream-failed", peer: this, stream, code: streamCode(why) });
    for (const message of loose) this.endMessage(message, { outcome: "sent" });
    this.looseQueue.first?.rewind();
    this.environment.emit({ type: "session-ended", peer: this, why });
    if (successor) this.session = successor;
    if (why === "peer-restarted") this.#carryOver(messages, nowUs);
    else this.#failAll(why);
  }

  /** What came with this token may have been delivered: it must not come once more. */
  #rememberEnded(token: number): void {
    if (token === 0) return;
    this.#endedTokens.push(token);
    if (this.#endedTokens.length > ENDED_TOKENS_MAX) this.#endedTokens.shift();
  }

  #carryOver(messages: readonly OutgoingMessage[], nowUs: number): void {
    this.#failAnswers();
    const again: OutgoingMessage[][] = [];
    for (const message of messages) {
      const { delivery } = message;
      if (message.hasEnded) continue;
      const isOutOfOrder = message.isOvertaken && wayOfChannel(message.channel) === "ordered";
      const isReported = delivery === "unknown" && message.options.afterRestart === "report";
      if (isOutOfOrder || isReported) {
        this.endMessage(message, { outcome: "failed", code: "peer-restarted", delivery });
      } else {
        message.rewind();
        const queue = again[message.channel] ?? [];
        queue.push(message);
        again[message.channel] = queue;
      }
    }
    again.forEach((queue, channel) => {
      this.queues[channel]?.unshift(queue);
    });
    const hasWork = this.queues.some((queue) => queue.first) || this.looseQueue.first;
    if (!hasWork) return;
    const session = this.session ?? this.#openSession(nowUs);
    this.queues.forEach((queue, channel) => {
      if (queue.first) session.sender.activate(channel);
    });
  }

  /** An answer belongs to the session of its request. */
  #failAnswers(): void {
    for (const message of [...this.#live]) {
      const { delivery } = message;
      if (message.options.isAnswer)
        this.endMessage(message, { outcome: "failed", code: "peer-restarted", delivery });
    }
  }

  #failAll(why: Exclude<SessionEnd, "peer-restarted">): void {
    const code = why === "closed-here" ? "endpoint-closed" : why;
    for (const message of [...this.#live]) {
      this.endMessage(message, { outcome: "failed", code, delivery: message.delivery });
    }
  }
}

/** Who does not know our token cannot have anything to say about what we sent. */
function mayOpen({ type }: Frame): boolean {
  return type === "hello" || type === "data" || type === "loose";
}

/** A replayed opening must deliver nothing: messages come when the session has shown to be alive. */
function mayOpenProtected({ type }: Frame): boolean {
  return type === "hello";
}

/** What must always find room besides fragments that wait: a whole message, or a fragment of a stream. */
export function largestReserve(config: ProtocolConfig, mtuBytes: number): number {
  return Math.max(config.messageBytesMax, mtuBytes) + HOLDING_BYTES;
}

function streamCode(why: SessionEnd): FardelErrorCode {
  return why === "closed-here" ? "endpoint-closed" : why;
}
