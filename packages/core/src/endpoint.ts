import { type Clock, SystemClock, type TimerHandle } from "./clock.js";
import { decodeExchange, EXCHANGE_KIND, encodeExchange, PendingRequests } from "./exchange.js";
import { Inbox } from "./inbox.js";
import { IncomingStream, type Message, type Request } from "./incoming.js";
import type { Address, DatagramInfo, Link } from "./link.js";
import { exchangeChannel, indexInWay, isExchange } from "./protocol/channels.js";
import { invalidOption, type ProtocolConfig } from "./protocol/config.js";
import { type Delivery, FardelError, type FardelErrorCode } from "./protocol/errors.js";
import type { MessageEnd, ProtocolEvent, SessionEnd } from "./protocol/events.js";
import { looseBytesMax } from "./protocol/loose.js";
import { OutgoingMessage } from "./protocol/outgoing-message.js";
import type { Peer } from "./protocol/peer.js";
import { addressKey, Protocol, type ProtocolCounts, type Ticket } from "./protocol/protocol.js";
import { type Receipt, RemotePeer } from "./remote-peer.js";
import { type PeerReport, reportOn } from "./report.js";
import {
  checkedRank,
  type DeliveryOptions,
  deadlineUs,
  type SendOptions,
  wireChannel,
} from "./send-options.js";
import { sentenceFor } from "./sentences.js";

/** What an endpoint needs, and every limit it can be given (see {@link ProtocolConfig}). */
export interface EndpointOptions extends Partial<ProtocolConfig> {
  /** What carries the datagrams. The endpoint opens it, and closes it when it is closed. */
  readonly link: Link;
  /** Default: real time. */
  readonly clock?: Clock;
  /** Uniform unsigned 32-bit numbers. Default: the platform's cryptographic source. */
  readonly random?: () => number;
}

/** What can be listened for with {@link Endpoint.on}. */
export interface EndpointEvents {
  /** A peer has proved that it receives at its address, in a new session. */
  "session-opened": { readonly peer: RemotePeer };
  /** A session is over: messages under way were reported or go on in the next one. */
  "session-ended": { readonly peer: RemotePeer; readonly why: SessionEnd };
}

type Listener<K extends keyof EndpointEvents> = (event: EndpointEvents[K]) => void;

/** A place for one datagram at the link. */
interface Slot {
  readonly buffer: Uint8Array;
  ticket: Ticket | undefined;
  readonly done: (
    outcome: "sent" | "acknowledged" | "not-acknowledged" | "refused" | "gone",
  ) => void;
}

/** A message's promise. */
interface Settler {
  readonly startedUs: number;
  readonly onProgress: DeliveryOptions["onProgress"];
  resolve(receipt: Receipt): void;
  reject(error: unknown): void;
  /** Stop listening to the caller's signal. */
  release(): void;
}

const CLOSE_DONE = 0;
const CLOSE_SHUTDOWN = 1;

/**
 * One end of a link: sends messages to peers, receives theirs. The only place where the protocol
 * meets promises, real time and randomness.
 *
 * ```ts
 * const gateway = await Endpoint.open({ link });
 * const board = gateway.peer(address);
 * const receipt = await board.send(bytes, { priority: "bulk" });
 * for await (const message of gateway.messages()) console.log(message.bytes);
 * ```
 */
export class Endpoint implements AsyncDisposable {
  readonly #link: Link;
  readonly #clock: Clock;
  readonly #protocol: Protocol;
  readonly #slots: Slot[];
  readonly #freeSlots: Slot[];
  readonly #peers = new Map<string, RemotePeer>();
  readonly #messages = new Inbox<Message>();
  readonly #requests = new Inbox<Request>();
  readonly #incomingStreams = new Inbox<IncomingStream>();
  readonly #streams = new Map<number, IncomingStream>();
  readonly #settlers = new Map<OutgoingMessage, Settler>();
  readonly #pending: PendingRequests;
  readonly #listeners = new Map<keyof EndpointEvents, Set<(event: never) => void>>();
  #onMessage: ((message: Message) => void) | undefined;
  #nextMessageId = 0;
  #timer: TimerHandle;
  #timerUs = Number.POSITIVE_INFINITY;
  #isPumping = false;
  #mustPumpAgain = false;
  #isPumpQueued = false;
  #isClosed = false;

  /**
   * Open the link and start.
   * @throws {@link FardelError} `invalid-option`, or `link-failed` with the link's error as `cause`
   */
  static async open(options: EndpointOptions): Promise<Endpoint> {
    const endpoint = new Endpoint(options);
    try {
      await options.link.open({
        onDatagram: (from, datagram, info) => endpoint.#handleDatagram(from, datagram, info),
        onStatus: (status) => endpoint.#handleStatus(status),
      });
    } catch (cause) {
      throw Object.assign(
        new FardelError("link-failed", `The link could not be opened: ${messageOf(cause)}`),
        { cause },
      );
    }
    return endpoint;
  }

  private constructor(options: EndpointOptions) {
    const { link, clock = new SystemClock(), random = cryptoRandom, ...config } = options;
    if (!Number.isInteger(link?.mtuBytes) || link.mtuBytes < 20 || link.mtuBytes > 65535) {
      throw invalidOption(
        "link",
        `its mtuBytes, ${link?.mtuBytes}, is not a whole number from 20 to 65535`,
      );
    }
    this.#link = link;
    this.#clock = clock;
    const { mtuBytes } = link;
    this.#protocol = new Protocol(config, {
      mtuBytes,
      random,
      ...(link.airtimeUs && { airtimeUs: (bytes: number) => link.airtimeUs?.(bytes) ?? 0 }),
    });
    this.#pending = new PendingRequests(random());
    const depth = Math.max(1, Math.min(this.#protocol.config.linkDepth, link.outstandingMax));
    this.#slots = Array.from({ length: depth }, () => this.#createSlot(mtuBytes));
    this.#freeSlots = [...this.#slots];
  }

  /** This side's own address, if the link knows it. */
  get address(): Address | undefined {
    return this.#link.localAddress;
  }

  /** Counts that belong to no peer. */
  get counts(): Readonly<ProtocolCounts> {
    return this.#protocol.counts;
  }

  /** Bytes held for all peers: parts of messages, and messages not read yet. */
  get heldBytes(): number {
    return this.#protocol.totalBudget.heldBytes + this.#protocol.strangerBudget.heldBytes;
  }

  /** The peer at an address. Nothing is sent until you send. */
  peer(address: Address): RemotePeer {
    if (!(address instanceof Uint8Array) || address.length === 0) {
      throw invalidOption("address", "it is not a Uint8Array of at least one byte");
    }
    const key = addressKey(address);
    let peer = this.#peers.get(key);
    if (!peer) {
      peer = new RemotePeer(this, address.slice());
      this.#peers.set(key, peer);
    }
    return peer;
  }

  /** Reports on all peers that are remembered. */
  reports(): PeerReport[] {
    const nowUs = this.#clock.nowUs();
    return Array.from(this.#protocol.peers, (peer) => reportOn(peer, nowUs));
  }

  /**
   * Whole messages, as they arrive. A message counts as held until you ask for the next one: read
   * slowly and the senders wait. Several readers share the messages between them.
   */
  messages(): AsyncIterableIterator<Message> {
    return this.#messages.read();
  }

  /**
   * Take whole messages in a callback instead, at once; nothing is then held. Throws nothing: an
   * error in the callback is thrown in a microtask of its own.
   */
  onMessage(handler: (message: Message) => void): void {
    this.#onMessage = handler;
  }

  /** Requests of peers, as they arrive; answer each with `reply` or `fail`. */
  requests(): AsyncIterableIterator<Request> {
    return this.#requests.read();
  }

  /** Messages for which the `accept` option said `stream`, each as its first fragment arrives. */
  streams(): AsyncIterableIterator<IncomingStream> {
    return this.#incomingStreams.read();
  }

  /** Listen for an event. @returns a function that stops listening */
  on<K extends keyof EndpointEvents>(type: K, listener: Listener<K>): () => void {
    const listeners = this.#listeners.get(type) ?? new Set();
    this.#listeners.set(type, listeners);
    listeners.add(listener);
    return () => listeners.delete(listener);
  }

  /** Hand over to the link at once what was sent in this turn of the event loop. */
  flush(): void {
    this.#pump();
  }

  /**
   * Stop: peers are told, messages under way fail with `endpoint-closed`, readers finish, the link
   * is closed. May be called twice.
   */
  async close(): Promise<void> {
    if (this.#isClosed) return;
    for (const peer of [...this.#protocol.peers]) this.#sendClose(peer, CLOSE_SHUTDOWN);
    this.#dispatchEvents();
    this.#isClosed = true;
    this.#clock.clearTimer(this.#timer);
    for (const inbox of [this.#messages, this.#requests, this.#incomingStreams]) {
      inbox.discard();
      inbox.close();
    }
    this.#clock.wakeWaiters?.();
    await this.#link.close();
  }

  [Symbol.asyncDispose](): Promise<void> {
    return this.close();
  }

  // What a RemotePeer comes down to

  /** @internal */
  sendTo(peer: RemotePeer, bytes: Uint8Array, options: SendOptions): Promise<Receipt> {
    const isLoose = options.way === "unacknowledged";
    return attempt(
      () => this.#send(peer.address, bytes, options, wireChannel(options), isLoose).promise,
    );
  }

  /** @internal */
  async requestFrom(
    peer: RemotePeer,
    bytes: Uint8Array,
    options: DeliveryOptions,
  ): Promise<Uint8Array> {
    checkedRank(options.priority);
    const dueUs = deadlineUs(options.deadlineMs, this.#clock.nowUs());
    const peerKey = addressKey(peer.address);
    let resolve: (bytes: Uint8Array) => void = () => {};
    let reject: (error: unknown) => void = () => {};
    const reply = new Promise<Uint8Array>((onReply, onError) => {
      resolve = onReply;
      reject = onError;
    });
    const pending = { peerKey, resolve, reject, isDelivered: false };
    const id = this.#pending.add(pending);
    const fail = (error: unknown) => {
      if (this.#pending.take(peerKey, id)) reject(error);
    };
    const message = encodeExchange(EXCHANGE_KIND.request, id, bytes);
    const sent = this.#send(
      peer.address,
      message,
      options,
      exchangeChannel(options.priority ?? "normal"),
      false,
    );
    sent.promise.then(() => {
      pending.isDelivered = true;
    }, fail);
    const timer = this.#clock.setTimer(dueUs, () => {
      fail(new FardelError("not-answered", sentenceFor("not-answered"), "unknown"));
      this.#clock.wakeWaiters?.();
    });
    const onAbort = () => fail(abortError(options.signal, "unknown"));
    options.signal?.addEventListener("abort", onAbort, { once: true });
    try {
      return await reply;
    } finally {
      this.#clock.clearTimer(timer);
      options.signal?.removeEventListener("abort", onAbort);
    }
  }

  /** @internal */
  reportOn(address: Address): PeerReport | undefined {
    const peer = this.#protocol.find(address);
    return peer && reportOn(peer, this.#clock.nowUs());
  }

  /** @internal */
  closePeer(address: Address): void {
    const peer = this.#protocol.find(address);
    if (!peer || this.#isClosed) return;
    this.#sendClose(peer, CLOSE_DONE);
    this.#pump();
  }

  #send(
    address: Address,
    bytes: Uint8Array,
    options: SendOptions,
    channel: number,
    isLoose: boolean,
  ) {
    const nowUs = this.#clock.nowUs();
    const deadline = deadlineUs(options.deadlineMs, nowUs);
    if (!(bytes instanceof Uint8Array)) throw invalidOption("bytes", "they are not a Uint8Array");
    this.#checkCanSend(address, bytes, isLoose);
    if (options.signal?.aborted) throw abortError(options.signal, "none");
    const message = new OutgoingMessage(this.#nextMessageId++, channel, bytes.slice(), {
      priority: options.priority ?? "normal",
      deadlineUs: deadline,
      afterRestart: options.afterRestart ?? "report",
      firstContact: options.firstContact ?? "data",
      wantsProgress: options.onProgress !== undefined,
    });
    const peer = this.#protocol.peer(address);
    const promise = new Promise<Receipt>((resolve, reject) => {
      const onAbort = () => {
        this.#protocol.abort(peer, message, this.#clock.nowUs());
        this.#pumpSoon();
      };
      options.signal?.addEventListener("abort", onAbort, { once: true });
      this.#settlers.set(message, {
        startedUs: nowUs,
        onProgress: options.onProgress,
        resolve,
        reject: (error) =>
          reject(
            error instanceof FardelError && error.code === "aborted"
              ? abortError(options.signal, error.delivery)
              : error,
          ),
        release: () => options.signal?.removeEventListener("abort", onAbort),
      });
    });
    this.#protocol.send(peer, message, isLoose, nowUs);
    this.#pumpSoon();
    return { promise, message };
  }

  #checkCanSend(address: Address, bytes: Uint8Array, isLoose: boolean): void {
    if (this.#isClosed)
      throw new FardelError("endpoint-closed", sentenceFor("endpoint-closed"), "none");
    const { config } = this.#protocol;
    const bytesMax = isLoose ? looseBytesMax(this.#link.mtuBytes) : config.sendQueueBytesMax;
    if (bytes.length > bytesMax) {
      throw new FardelError(
        "message-too-large",
        `A message of ${bytes.length} bytes is larger than the ${bytesMax} that can be sent this way. Split it.`,
        "none",
      );
    }
    const peer = this.#protocol.find(address);
    const isFull =
      peer &&
      (peer.queuedMessages >= config.sendQueueMessagesMax ||
        peer.queuedBytes + bytes.length > config.sendQueueBytesMax);
    if (isFull) throw new FardelError("queue-full", sentenceFor("queue-full"), "none");
  }

  // The link's calls

  #createSlot(mtuBytes: number): Slot {
    const slot: Slot = {
      buffer: new Uint8Array(mtuBytes),
      ticket: undefined,
      done: (outcome) => {
        const { ticket } = slot;
        if (!ticket || this.#isClosed) return;
        slot.ticket = undefined;
        this.#freeSlots.push(slot);
        this.#protocol.handleSendOutcome(ticket, outcome, this.#clock.nowUs());
        this.#pump();
      },
    };
    return slot;
  }

  #handleDatagram(from: Address, datagram: Uint8Array, info: DatagramInfo): void {
    if (this.#isClosed) return;
    this.#protocol.handleDatagram(from, datagram, info, this.#clock.nowUs());
    this.#pump();
  }

  #handleStatus(status: "up" | "down"): void {
    if (this.#isClosed) return;
    this.#protocol.handleLinkStatus(status, this.#clock.nowUs());
    this.#pump();
  }

  #sendClose(peer: Peer, reason: number): void {
    const slot = this.#freeSlots.pop();
    const buffer = slot?.buffer ?? new Uint8Array(this.#link.mtuBytes);
    const transmit = this.#protocol.close(peer, reason, buffer, this.#clock.nowUs());
    if (!slot) return;
    if (!transmit) {
      this.#freeSlots.push(slot);
      return;
    }
    slot.ticket = transmit.ticket;
    this.#link.send(transmit.address, transmit.datagram, slot.done);
  }

  // Driving the protocol

  /** Everything that one turn of the event loop sends shares datagrams. */
  #pumpSoon(): void {
    if (this.#isPumping) {
      this.#mustPumpAgain = true;
      return;
    }
    if (this.#isPumpQueued) return;
    this.#isPumpQueued = true;
    queueMicrotask(() => {
      this.#isPumpQueued = false;
      this.#pump();
    });
  }

  #pump(): void {
    if (this.#isPumping) {
      this.#mustPumpAgain = true;
      return;
    }
    this.#isPumping = true;
    do {
      this.#mustPumpAgain = false;
      this.#dispatchEvents();
      if (this.#isClosed) break;
      this.#transmit();
    } while (this.#mustPumpAgain);
    this.#isPumping = false;
    if (!this.#isClosed) this.#armTimer();
  }

  #transmit(): void {
    const nowUs = this.#clock.nowUs();
    while (this.#freeSlots.length > 0) {
      const slot = this.#freeSlots[this.#freeSlots.length - 1] as Slot;
      const transmit = this.#protocol.pollTransmit(slot.buffer, nowUs);
      if (!transmit) return;
      this.#freeSlots.pop();
      slot.ticket = transmit.ticket;
      this.#link.send(transmit.address, transmit.datagram, slot.done);
    }
  }

  #armTimer(): void {
    const dueUs = this.#protocol.timeoutUs;
    // A timer that is too early is left alone: waking once for nothing is cheaper than moving it.
    if (dueUs >= this.#timerUs) return;
    this.#clock.clearTimer(this.#timer);
    this.#timerUs = dueUs;
    this.#timer = this.#clock.setTimer(dueUs, () => {
      this.#timerUs = Number.POSITIVE_INFINITY;
      this.#protocol.handleTimeout(this.#clock.nowUs());
      this.#pump();
    });
  }

  #dispatchEvents(): void {
    for (let event = this.#protocol.pollEvent(); event; event = this.#protocol.pollEvent())
      this.#dispatch(event);
  }

  #dispatch(event: ProtocolEvent): void {
    switch (event.type) {
      case "message-received":
        this.#receive(event);
        break;
      case "message-ended":
        this.#settle(event.message, event.end);
        break;
      case "message-progressed": {
        const { message } = event;
        const progress = {
          acknowledgedBytes: message.acknowledgedBytes,
          totalBytes: message.bytes.length,
        };
        this.#call(this.#settlers.get(message)?.onProgress, progress);
        break;
      }
      case "session-opened":
        this.#emit("session-opened", { peer: this.peer(event.peer.address) });
        break;
      case "session-ended":
        this.#endSession(event.peer, event.why);
        break;
      default:
        this.#dispatchStream(event);
    }
  }

  #dispatchStream(event: Extract<ProtocolEvent, { stream: number }>): void {
    const { peer, stream } = event;
    const incoming = this.#streams.get(stream);
    switch (event.type) {
      case "stream-opened": {
        const remote = this.peer(peer.address);
        const opened = new IncomingStream(
          remote,
          event.way,
          indexInWay(event.wireChannel),
          event.totalBytes,
          new Inbox(),
          () => {
            this.#protocol.cancelStream(peer, stream, this.#clock.nowUs());
            this.#pumpSoon();
          },
        );
        this.#streams.set(stream, opened);
        this.#incomingStreams.push(opened, () => {});
        break;
      }
      case "stream-data":
        incoming?.inbox.push(event.bytes, () => this.#release(peer, event.heldBytes, stream));
        break;
      case "stream-ended":
        incoming?.inbox.close();
        this.#streams.delete(stream);
        break;
      case "stream-failed":
        incoming?.inbox.close(new FardelError(event.code, sentenceFor(event.code)));
        this.#streams.delete(stream);
        break;
    }
    this.#clock.wakeWaiters?.();
  }

  #receive(event: Extract<ProtocolEvent, { type: "message-received" }>): void {
    const { peer, bytes, way, wireChannel, heldBytes } = event;
    const release = () => this.#release(peer, heldBytes, -1);
    if (way !== "unacknowledged" && isExchange(wireChannel)) {
      this.#receiveExchange(event, release);
      return;
    }
    const channel = way === "unacknowledged" ? wireChannel : indexInWay(wireChannel);
    const message = { peer: this.peer(peer.address), bytes, way, channel };
    if (this.#onMessage) {
      this.#call(this.#onMessage, message);
      release();
      return;
    }
    this.#messages.push(message, release);
    this.#clock.wakeWaiters?.();
  }

  #receiveExchange(
    event: Extract<ProtocolEvent, { type: "message-received" }>,
    release: () => void,
  ): void {
    const exchange = decodeExchange(event.bytes);
    const { peer, session, wireChannel } = event;
    if (!exchange) {
      peer.statistics.malformed++;
      release();
      return;
    }
    this.#clock.wakeWaiters?.();
    const { kind, id, bytes } = exchange;
    if (kind === EXCHANGE_KIND.request) {
      const remote = this.peer(peer.address);
      const answer = (answerKind: number, answerBytes: Uint8Array) => {
        if (this.#protocol.find(remote.address)?.session !== session) {
          return Promise.reject(
            new FardelError("peer-restarted", sentenceFor("peer-restarted"), "none"),
          );
        }
        const message = encodeExchange(answerKind, id, answerBytes);
        const priority = wireChannel === exchangeChannel("urgent") ? "urgent" : "normal";
        return attempt(
          () => this.#send(remote.address, message, { priority }, wireChannel, false).promise,
        );
      };
      this.#requests.push(
        {
          peer: remote,
          bytes,
          reply: (reply) => answer(EXCHANGE_KIND.reply, reply),
          fail: (text) => answer(EXCHANGE_KIND.failure, new TextEncoder().encode(text)),
        },
        release,
      );
      return;
    }
    const pending = this.#pending.take(peer.key, id);
    if (kind === EXCHANGE_KIND.reply) pending?.resolve(bytes);
    else
      pending?.reject(
        new FardelError(
          "request-failed",
          `The peer's application says: ${new TextDecoder().decode(bytes)}`,
          "unknown",
        ),
      );
    release();
  }

  #release(peer: Peer, heldBytes: number, stream: number): void {
    this.#protocol.release(peer, heldBytes, stream, this.#clock.nowUs());
    if (!this.#isClosed) this.#pumpSoon();
  }

  #settle(message: OutgoingMessage, end: MessageEnd): void {
    const settler = this.#settlers.get(message);
    if (!settler) return;
    this.#settlers.delete(message);
    settler.release();
    if (end.outcome === "failed") {
      settler.reject(new FardelError(end.code, sentenceFor(end.code, end.reason), end.delivery));
    } else {
      settler.resolve({
        outcome: end.outcome,
        bytes: message.bytes.length,
        fragmentsSent: message.fragmentsSent,
        fragmentsRepeated: message.fragmentsRepeated,
        elapsedUs: this.#clock.nowUs() - settler.startedUs,
      });
    }
    this.#clock.wakeWaiters?.();
  }

  #endSession(peer: Peer, why: SessionEnd): void {
    const code: FardelErrorCode = why === "closed-here" ? "endpoint-closed" : why;
    this.#pending.failDelivered(peer.key, new FardelError(code, sentenceFor(code), "unknown"));
    this.#emit("session-ended", { peer: this.peer(peer.address), why });
    this.#clock.wakeWaiters?.();
  }

  #emit<K extends keyof EndpointEvents>(type: K, event: EndpointEvents[K]): void {
    for (const listener of this.#listeners.get(type) ?? [])
      this.#call(listener as Listener<K>, event);
  }

  /** The caller's code must not break ours: what it throws surfaces as an uncaught error of its own. */
  #call<T>(handler: ((argument: T) => void) | undefined, argument: T): void {
    try {
      handler?.(argument);
    } catch (error) {
      queueMicrotask(() => {
        throw error;
      });
    }
  }
}

function abortError(signal: AbortSignal | undefined, delivery: Delivery | undefined): FardelError {
  return Object.assign(new FardelError("aborted", sentenceFor("aborted"), delivery), {
    cause: signal?.reason,
  });
}

function cryptoRandom(): number {
  return crypto.getRandomValues(new Uint32Array(1))[0] as number;
}

function messageOf(cause: unknown): string {
  return cause instanceof Error ? cause.message : String(cause);
}

function attempt<T>(run: () => Promise<T>): Promise<T> {
  try {
    return run();
  } catch (error) {
    return Promise.reject(error);
  }
}
