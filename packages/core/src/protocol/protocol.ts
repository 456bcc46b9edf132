import { ByteWriter } from "../wire/byte-writer.js";
import { sealDatagram } from "../wire/datagram.js";
import {
  ASK,
  CRC_BYTES,
  decodeHead,
  decodeProtectedHead,
  encodeLongHead,
  type Head,
  isProtected,
} from "../wire/head.js";
import { encodeNoSession } from "../wire/no-session-frame.js";
import {
  isSessionless,
  isSessionlessSound,
  SESSIONLESS_HEAD_BYTES,
} from "../wire/sessionless-datagram.js";
import { AirtimeCap } from "./airtime-cap.js";
import { Budget } from "./budget.js";
import { composeClose, composeDatagram, transmitRank } from "./compose.js";
import { HOLDING_BYTES, invalidOption, type ProtocolConfig, resolveConfig } from "./config.js";
import type { ProtocolEvent } from "./events.js";
import { type LongContent, readLong } from "./long-datagram.js";
import type { OutgoingMessage } from "./outgoing-message.js";
import { largestReserve, Peer, type PeerEnvironment } from "./peer.js";
import { PeerTable } from "./peer-table.js";
import { type ProtectedContent, readProtected } from "./protected-datagram.js";
import type { PairKey, Protection } from "./protection.js";
import { ANSWERS_RANK, ReadyList } from "./ready-list.js";
import { NO_SESSION_BYTES, type Session } from "./session.js";
import { PROTECTED_NO_SESSION_BYTES, saltOfNoSession, sealNoSession } from "./session-guard.js";
import {
  composeSessionless,
  SESSIONLESS_WAITING_MAX,
  type SessionlessBody,
} from "./sessionless-queue.js";
import { TimerHeap } from "./timer-heap.js";
import type { TraceListener } from "./trace.js";

/** Answers without state that wait for the link at most; more are dropped, their senders ask again. */
const ANSWERS_MAX = 16;
/** While peers have something to send, one answer goes after so many of their datagrams. */
const ANSWER_EVERY = 3;
const NOTHING: LongContent = [];
const NO_KEYS: readonly PairKey[] = [];
/** A protected short datagram: its session reads it. */
const SHORT_SECRET: ProtectedContent = { content: NOTHING };
const REFUSED_WAIT_US = 1000;
const REFUSED_WAIT_US_MAX = 64_000;

/** A datagram for the link. Hand its outcome back with {@link Protocol.handleSendOutcome}. */
export interface Transmit {
  readonly address: Uint8Array;
  readonly datagram: Uint8Array;
  /** Names this datagram to {@link Protocol.handleSendOutcome}; opaque. */
  readonly ticket: Ticket;
}

export interface Ticket {
  readonly peer: Peer | undefined;
  readonly session: Session | undefined;
  readonly number: number;
  readonly body?: SessionlessBody;
}

/** NO-SESSION for a token of somebody. */
interface Answer {
  readonly address: Uint8Array;
  readonly token: number;
  readonly number: number;
  /** If it is to be protected: under which key, and which token of ours there is no session for. */
  readonly guard: { readonly key: PairKey; readonly refusedToken: number } | undefined;
}

/** The link's word on a datagram; see `SendOutcome` of the link contract. */
export type Outcome = "sent" | "acknowledged" | "not-acknowledged" | "refused" | "gone";

/** What a protocol needs besides its configuration. */
export interface ProtocolSetting {
  readonly mtuBytes: number;
  /** Uniform u32; drawn from in a fixed order, so the same draws give the same run. */
  random(): number;
  /** Whoever keeps keys; without it all sessions are plain. */
  readonly protection?: Protection;
  readonly trace?: TraceListener;
  /** Time on air of a datagram, microseconds, if the link knows it. */
  airtimeUs?(datagramBytes: number): number;
}

/** Counts that belong to no peer. */
export interface ProtocolCounts {
  /** Datagrams of another version, form or with reserved bits, or too short. */
  unreadableDatagrams: number;
  /** Datagrams of newcomers for whom there was no room. */
  ignoredDatagrams: number;
  /** Short datagrams from addresses without a session. */
  unexplainedDatagrams: number;
  /** Datagrams without session that arrived whole: announcements, queries, pairing. */
  sessionlessDatagrams: number;
  /** Dropped for want of protection: plain ones from a peer with a key, protected ones from one without. */
  refusedDatagrams: number;
}

/**
 * All sessions of one endpoint, without input or output: datagrams, outcomes and time come in as
 * arguments; datagrams, deadlines and events are polled out.
 *
 * - Commands: {@link send}, {@link abort}, {@link release}, {@link cancelStream}, {@link close}.
 * - Inputs: {@link handleDatagram}, {@link handleSendOutcome}, {@link handleTimeout},
 *   {@link handleLinkStatus}.
 * - Outputs, to be drained after any of these, in this order: {@link pollEvent} until there is none,
 *   {@link pollTransmit} while the link takes more, {@link timeoutUs}.
 *
 * The same calls with the same arguments give the same output, byte for byte.
 */
export class Protocol {
  readonly config: ProtocolConfig;
  readonly counts: ProtocolCounts = {
    unreadableDatagrams: 0,
    ignoredDatagrams: 0,
    unexplainedDatagrams: 0,
    sessionlessDatagrams: 0,
    refusedDatagrams: 0,
  };
  readonly totalBudget: Budget;
  readonly strangerBudget: Budget;
  readonly #setting: ProtocolSetting;
  readonly #environment: PeerEnvironment;
  readonly #peers: PeerTable<Peer>;
  readonly #timers = new TimerHeap<Peer>();
  readonly #ready = new ReadyList<Peer>();
  readonly #airtime: AirtimeCap;
  readonly #events: ProtocolEvent[] = [];
  #eventHead = 0;
  readonly #answers: Answer[] = [];
  #sinceAnswer = 0;
  readonly #bodies: SessionlessBody[] = [];
  /** Kinds of datagrams without session that somebody listens for. */
  readonly sessionlessKinds = new Set<number>();
  #isLinkUp = true;
  #refusals = 0;
  #waitUntilUs = 0;
  #linkRoundTripUs = 0;
  #streams = 0;

  /** @throws {@link FardelError} `invalid-option` */
  constructor(config: Partial<ProtocolConfig>, setting: ProtocolSetting) {
    this.config = resolveConfig(config);
    this.#setting = setting;
    const { totalBytesMax, strangerBytesMax, airtimeShare, peerBytesMax } = this.config;
    if (peerBytesMax < setting.mtuBytes + HOLDING_BYTES) {
      throw invalidOption(
        "peerBytesMax",
        `${peerBytesMax} is less than one datagram and ${HOLDING_BYTES} bytes`,
      );
    }
    this.totalBudget = new Budget(totalBytesMax);
    this.strangerBudget = new Budget(strangerBytesMax, this.totalBudget);
    this.#airtime = new AirtimeCap(setting.airtimeUs ? airtimeShare : 1);
    this.#environment = {
      config: this.config,
      mtuBytes: setting.mtuBytes,
      random: setting.random,
      linkRoundTripUs: () => this.#linkRoundTripUs,
      noteLinkRoundTrip: (us) => {
        this.#linkRoundTripUs = us;
      },
      emit: (event) => this.#events.push(event),
      protection: setting.protection,
      trace: setting.trace,
      noteVerified: (peer) => this.#peers.accept(peer),
      nextStream: () => this.#streams++,
      strangers: this.strangerBudget,
      total: this.totalBudget,
      totalWaiting: new Budget(totalBytesMax - largestReserve(this.config, setting.mtuBytes)),
    };
    this.#peers = new PeerTable(
      this.config,
      (address, key) => new Peer(address, key, this.#environment),
      (peer) => this.#forget(peer),
    );
  }

  // Getters

  get peers(): IterableIterator<Peer> {
    return this.#peers.values();
  }

  find(address: Uint8Array): Peer | undefined {
    return this.#peers.find(address);
  }

  /** Earliest instant at which {@link handleTimeout} has something to do; `Infinity`: none. */
  get timeoutUs(): number {
    return Math.min(
      this.#timers.earliestUs,
      this.#waitUntilUs > 0 ? this.#waitUntilUs : Number.POSITIVE_INFINITY,
    );
  }

  // Commands

  /** The peer at an address, remembered from now on. */
  peer(address: Uint8Array): Peer {
    return this.#peers.obtain(address);
  }

  send(peer: Peer, message: OutgoingMessage, isLoose: boolean, nowUs: number): void {
    // Whoever is only answered stays a stranger.
    if (!message.options.isAnswer) this.#peers.accept(peer);
    peer.enqueue(message, isLoose, nowUs);
    this.#touch(peer, nowUs);
  }

  abort(peer: Peer, message: OutgoingMessage, nowUs: number): void {
    peer.abort(message, "aborted", nowUs);
    this.#touch(peer, nowUs);
  }

  /** A datagram without session; refused at once if too many wait. */
  sendSessionless(body: SessionlessBody): void {
    if (this.#bodies.length >= SESSIONLESS_WAITING_MAX) body.done("refused");
    else this.#bodies.push(body);
  }

  /** The endpoint is closed: what waits does not go any more. */
  dropSessionless(): void {
    for (const body of this.#bodies.splice(0)) body.done("gone");
  }

  /** The owner has taken what an event held for it. */
  release(peer: Peer, heldBytes: number, stream: number, nowUs: number): void {
    const wasTight = this.totalBudget.freeBytes < this.config.peerBytesMax;
    peer.release(heldBytes, stream, nowUs);
    this.#touch(peer, nowUs);
    if (wasTight) this.#refreshOthers(nowUs);
  }

  /** The owner has taken a stream: it does not wait any more. */
  noteStreamTaken(peer: Peer, nowUs: number): void {
    peer.streamsWaiting--;
    peer.refresh(nowUs);
    this.#touch(peer, nowUs);
  }

  cancelStream(peer: Peer, stream: number, nowUs: number): void {
    peer.cancelStream(stream, nowUs);
    this.#touch(peer, nowUs);
  }

  /** End the session with a peer; its messages fail as closed. @returns a CLOSE to send, if there was one */
  close(peer: Peer, reason: number, buffer: Uint8Array, nowUs: number): Transmit | undefined {
    const { session } = peer;
    if (!session) return undefined;
    const isWorthIt = session.isVerified;
    const composed = isWorthIt ? composeClose(session, buffer, reason) : undefined;
    peer.endSession("closed-here", nowUs);
    peer.candidate = undefined;
    this.#touch(peer, nowUs);
    return (
      composed && {
        address: peer.address,
        datagram: composed.datagram,
        ticket: { peer, session, number: composed.number },
      }
    );
  }

  // Inputs

  handleDatagram(
    address: Uint8Array,
    datagram: Uint8Array,
    info: { rssiDbm?: number; radioChannel?: number },
    nowUs: number,
  ): void {
    if (isSessionless(datagram)) {
      this.#handleSessionless(address, datagram, info);
      return;
    }
    const isSecret = isProtected(datagram);
    const keys = this.#setting.protection?.keysFor(address) ?? NO_KEYS;
    if (keys === "revoked" || isSecret !== keys.length > 0) {
      this.counts.refusedDatagrams++;
      return;
    }
    const head = isSecret ? decodeProtectedHead(datagram) : decodeHead(datagram);
    // Longer than what HELLO stated: taking it could contradict a fragment that was cut anew.
    if (!head.ok || datagram.length > this.#setting.mtuBytes) {
      this.counts.unreadableDatagrams++;
      return;
    }
    const { value } = head;
    const known = this.#peers.find(address);
    let secret = isSecret ? SHORT_SECRET : undefined;
    let content = NOTHING;
    if (value.form === "long") {
      if (secret) secret = readProtected(datagram, value, keys, [known?.session, known?.candidate]);
      content = secret ? secret.content : readLong(datagram, value);
    }
    const key = isSecret ? (secret?.sender?.key ?? keys[0]) : undefined;
    const peer = known ?? this.#meet(address, value, content, datagram.length, key);
    if (!peer) return;
    const token = peer.handleDatagram(datagram, value, content, info, nowUs, secret);
    if (value.form === "long") this.#answer(address, token, value, datagram.length, key);
    this.#touch(peer, nowUs);
  }

  /** The keys for an address were changed by their owner. */
  handleKeysChanged(address: Uint8Array, nowUs: number): void {
    const peer = this.#peers.find(address);
    if (!peer) return;
    peer.handleKeysChanged(nowUs);
    this.#touch(peer, nowUs);
  }

  #handleSessionless(
    address: Uint8Array,
    datagram: Uint8Array,
    info: { rssiDbm?: number; radioChannel?: number },
  ): void {
    if (!isSessionlessSound(datagram)) {
      this.counts.unreadableDatagrams++;
      return;
    }
    this.counts.sessionlessDatagrams++;
    const kind = datagram[1]!;
    if (!this.sessionlessKinds.has(kind)) return;
    const body = datagram.slice(SESSIONLESS_HEAD_BYTES, datagram.length - CRC_BYTES);
    this.#events.push({
      type: "sessionless-received",
      address: address.slice(),
      kind,
      body,
      info: { ...info },
    });
  }

  /** A datagram from an address that nobody knows. @returns a newcomer, if it opens and there is room */
  #meet(
    address: Uint8Array,
    head: Head,
    content: LongContent,
    bytes: number,
    key: PairKey | undefined,
  ): Peer | undefined {
    // Damage must not make us say that there is no session, nor remember a stranger.
    if (typeof content === "string") this.counts.unreadableDatagrams++;
    else if (head.form === "short" || head.tokenFrom === 0) this.counts.unexplainedDatagrams++;
    else if (head.tokenTo !== 0) this.#answer(address, head.tokenFrom, head, bytes, key);
    else {
      const peer = this.#peers.admit(address);
      if (!peer) this.counts.ignoredDatagrams++;
      return peer;
    }
    return undefined;
  }

  handleSendOutcome(ticket: Ticket, outcome: Outcome, nowUs: number): void {
    const { peer, session, number } = ticket;
    // A link that is gone without saying so would otherwise be offered the same datagram for ever.
    if (outcome === "refused" || outcome === "gone") {
      this.#waitUntilUs =
        nowUs + Math.min(REFUSED_WAIT_US_MAX, REFUSED_WAIT_US << Math.min(6, this.#refusals++));
    } else {
      this.#refusals = 0;
      this.#waitUntilUs = 0;
    }
    ticket.body?.done(outcome);
    if (!peer || !session) return;
    if (outcome === "refused") peer.statistics.sendsRefused++;
    if (outcome === "not-acknowledged") peer.statistics.sendsNotAcknowledged++;
    const word =
      outcome === "refused"
        ? "never-left"
        : outcome === "sent" || outcome === "acknowledged"
          ? "left"
          : outcome;
    session.handleOutcome(number, word, nowUs);
    this.#touch(peer, nowUs);
  }

  handleTimeout(nowUs: number): void {
    if (this.#waitUntilUs <= nowUs) this.#waitUntilUs = 0;
    for (let peer = this.#timers.due(nowUs); peer; peer = this.#timers.due(nowUs)) {
      peer.handleTimeout(nowUs, this.#isLinkUp);
      this.#touch(peer, nowUs);
      // Timers that stand still with the link are looked at again when it is up.
      if (peer.timerUs <= nowUs)
        this.#timers.set(peer, this.#isLinkUp ? nowUs + 1 : peer.deadlineUs);
    }
  }

  handleLinkStatus(status: "up" | "down", nowUs: number): void {
    this.#isLinkUp = status === "up";
    if (!this.#isLinkUp) return;
    for (const peer of this.#peers.values()) {
      peer.session?.noteLinkUp(nowUs);
      this.#touch(peer, nowUs);
    }
  }

  // Outputs

  pollEvent(): ProtocolEvent | undefined {
    const event = this.#events[this.#eventHead];
    if (event) {
      this.#eventHead++;
      if (event.type === "message-progressed") event.message.isProgressQueued = false;
    } else if (this.#eventHead > 0) {
      this.#events.length = 0;
      this.#eventHead = 0;
    }
    return event;
  }

  /**
   * The next datagram for the link, written into `buffer` (at least the link's MTU long), or nothing.
   * Call it while the link takes more.
   */
  pollTransmit(buffer: Uint8Array, nowUs: number): Transmit | undefined {
    if (!this.#isLinkUp || nowUs < this.#waitUntilUs) return undefined;
    const readyUs = this.#airtime.readyUs(nowUs);
    if (readyUs > nowUs) {
      this.#waitUntilUs = readyUs;
      return undefined;
    }
    const transmit =
      (this.#sinceAnswer < ANSWER_EVERY ? undefined : this.#pollAnswer(buffer)) ??
      this.#pollPeers(buffer, nowUs) ??
      this.#pollAnswer(buffer);
    this.#sinceAnswer = transmit?.ticket.peer ? this.#sinceAnswer + 1 : 0;
    if (transmit)
      this.#airtime.spend(this.#setting.airtimeUs?.(transmit.datagram.length) ?? 0, nowUs);
    return transmit;
  }

  #pollPeers(buffer: Uint8Array, nowUs: number): Transmit | undefined {
    for (let next = this.#ready.take(); next; next = this.#ready.take()) {
      const { item: peer, rank } = next;
      const currentRank = this.#rankOf(peer, nowUs);
      if (currentRank < rank) {
        // Something higher was sent or withdrawn since: it waits under what is left.
        this.#ready.offer(peer, currentRank);
        continue;
      }
      const transmit = this.#composeFor(peer, rank, buffer, nowUs);
      if (transmit) return transmit;
      // Nothing could be written: its next input, or its timer, brings it back.
      this.#timers.set(peer, peer.timeoutUs(nowUs));
    }
    return undefined;
  }

  #composeFor(peer: Peer, rank: number, buffer: Uint8Array, nowUs: number): Transmit | undefined {
    // A candidate only answers: it does not take the turns of the session's messages.
    const { candidate, session: current } = peer;
    const sessions = rank === ANSWERS_RANK ? [candidate, current] : [current, candidate];
    for (const session of sessions) {
      // Of two, one may have nothing to say; alone, its rank has just been looked at.
      if (!session || (candidate && transmitRank(session, nowUs) < 0)) continue;
      const composed = composeDatagram(session, buffer, nowUs);
      if (!composed) continue;
      peer.statistics.datagramsSent++;
      peer.statistics.bytesSent += composed.datagram.length;
      if (session.isUsedUp) peer.endSession("peer-restarted", nowUs);
      this.#touch(peer, nowUs);
      return {
        address: peer.address,
        datagram: composed.datagram,
        ticket: { peer, session, number: composed.number },
      };
    }
    return undefined;
  }

  #rankOf(peer: Peer, nowUs: number): number {
    const { session, candidate } = peer;
    const rank = session ? transmitRank(session, nowUs) : -1;
    return candidate ? Math.max(rank, transmitRank(candidate, nowUs)) : rank;
  }

  #pollAnswer(buffer: Uint8Array): Transmit | undefined {
    const answer = this.#answers.shift();
    if (!answer) return this.#pollSessionless(buffer);
    const out = new ByteWriter(buffer);
    const { token, number, guard } = answer;
    const salt = guard && saltOfNoSession(guard.refusedToken);
    encodeLongHead(out, ASK.none, 0, token, number, salt);
    encodeNoSession(out);
    const datagram = guard
      ? sealNoSession(out, token, number, guard.key)
      : sealDatagram(out, token, 0, number);
    return {
      address: answer.address,
      datagram,
      ticket: { peer: undefined, session: undefined, number: 0 },
    };
  }

  #pollSessionless(buffer: Uint8Array): Transmit | undefined {
    const body = this.#bodies.shift();
    return (
      body && {
        address: body.address,
        datagram: composeSessionless(new ByteWriter(buffer), body),
        ticket: { peer: undefined, session: undefined, number: 0, body },
      }
    );
  }

  /** NO-SESSION for a token, in answer to datagram `number`, unless that was shorter. */
  #answer(
    address: Uint8Array,
    token: number,
    { number, tokenTo }: Head & { form: "long" },
    receivedBytes: number,
    key: PairKey | undefined,
  ): void {
    const bytes = key ? PROTECTED_NO_SESSION_BYTES : NO_SESSION_BYTES;
    if (token === 0 || receivedBytes < bytes || this.#answers.length >= ANSWERS_MAX) return;
    const guard = key && { key, refusedToken: tokenTo };
    this.#answers.push({ address: address.slice(), token, number, guard });
  }

  #forget(peer: Peer): void {
    peer.endSession("closed-here", 0);
    this.#timers.set(peer, Number.POSITIVE_INFINITY);
    this.#ready.forget(peer);
  }

  /** Something about the peer may have changed: put it where it belongs. */
  #touch(peer: Peer, nowUs: number): void {
    const rank = this.#rankOf(peer, nowUs);
    this.#ready.offer(peer, rank);
    this.#timers.set(peer, peer.timeoutUs(nowUs));
  }

  #refreshOthers(nowUs: number): void {
    for (const peer of this.#peers.next()) {
      peer.refresh(nowUs);
      this.#touch(peer, nowUs);
    }
  }
}
