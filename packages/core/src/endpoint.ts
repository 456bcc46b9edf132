import { call } from "./call.js";
import { type Clock, SystemClock } from "./clock.js";
import { Driver } from "./driver.js";
import { Exchange } from "./exchange.js";
import { Inbox } from "./inbox.js";
import { IncomingStream, type Message, type Request } from "./incoming.js";
import type { Address, Link } from "./link.js";
import { Outbox } from "./outbox.js";
import { indexInWay, isExchange } from "./protocol/channels.js";
import { invalidOption, type ProtocolConfig } from "./protocol/config.js";
import { FardelError, type FardelErrorCode } from "./protocol/errors.js";
import type { ProtocolEvent, SessionEnd } from "./protocol/events.js";
import type { Peer } from "./protocol/peer.js";
import { addressKey } from "./protocol/peer-table.js";
import { PROTECTED_MTU_MIN, type Protection } from "./protocol/protection.js";
import { Protocol, type ProtocolCounts } from "./protocol/protocol.js";
import type { TraceFact, TraceListener } from "./protocol/trace.js";
import { RemotePeer } from "./remote-peer.js";
import { type PeerReport, reportOn } from "./report.js";
import { type DeliveryOptions, wireChannel } from "./send-options.js";
import { sentenceFor } from "./sentences.js";
import type { Sessionless, SessionlessListener } from "./sessionless.js";
import { SessionlessDesk } from "./sessionless-desk.js";
import { type TransferReport, transfersOf } from "./transfers.js";
import { CLOSE_REASON } from "./wire/close-frame.js";

/** What an endpoint needs, and every limit it can be given (see {@link ProtocolConfig}). */
export interface EndpointOptions extends Partial<ProtocolConfig> {
  /** What carries the datagrams. The endpoint opens it, and closes it when it is closed. */
  readonly link: Link;
  /** Default: real time. */
  readonly clock?: Clock;
  /**
   * Whoever keeps keys: `KeyRing` of `@fardel/pairing`. Peers that it has a key for are spoken to in
   * protected datagrams only, all others in plain. Needs an MTU of {@link PROTECTED_MTU_MIN} bytes.
   */
  readonly protection?: Protection;
  /**
   * Is told of what datagrams alone do not show: which fragment was sent, acknowledged or taken for
   * lost, and why. For tools that look at a link; costs nothing when left out. Called in the midst of
   * the endpoint's work: take a note and return, call nothing of the endpoint. Arrays in a fact are
   * not to be changed.
   */
  readonly trace?: TraceListener;
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
type MessageReceived = Extract<ProtocolEvent, { type: "message-received" }>;
type StreamEvent = Extract<ProtocolEvent, { stream: number }>;

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
  readonly #driver: Driver;
  readonly #protocol: Protocol;
  readonly #clock: Clock;
  readonly #outbox: Outbox;
  readonly #exchange: Exchange;
  readonly #peers = new Map<string, RemotePeer>();
  readonly #messages = new Inbox<Message>();
  readonly #requests = new Inbox<Request>();
  readonly #incomingStreams = new Inbox<IncomingStream>();
  readonly #streams = new Map<number, IncomingStream>();
  readonly #sessionless: SessionlessDesk;
  readonly #listeners = new Map<keyof EndpointEvents, Set<(event: never) => void>>();
  #onMessage: ((message: Message) => void) | undefined;

  /**
   * Open the link and start.
   * @throws {@link FardelError} `invalid-option`, or `link-failed` with the link's error as `cause`
   */
  static async open(options: EndpointOptions): Promise<Endpoint> {
    const endpoint = new Endpoint(options);
    try {
      await endpoint.#driver.open();
    } catch (cause) {
      const why = cause instanceof Error ? cause.message : String(cause);
      throw Object.assign(new FardelError("link-failed", `The link could not be opened: ${why}`), {
        cause,
      });
    }
    return endpoint;
  }

  private constructor(options: EndpointOptions) {
    const {
      link,
      clock = new SystemClock(),
      random = cryptoRandom,
      protection,
      trace,
      ...config
    } = options;
    const mtuBytes = link?.mtuBytes;
    if (!Number.isInteger(mtuBytes) || mtuBytes < 20 || mtuBytes > 65535) {
      throw invalidOption(
        "link",
        `its mtuBytes, ${mtuBytes}, is not a whole number from 20 to 65535`,
      );
    }
    if (protection && mtuBytes < PROTECTED_MTU_MIN) {
      const why = `its mtuBytes, ${mtuBytes}, is less than the ${PROTECTED_MTU_MIN} that protected sessions need`;
      throw invalidOption("link", why);
    }
    this.#clock = clock;
    this.#protocol = new Protocol(config, {
      mtuBytes,
      random,
      ...(protection && { protection }),
      ...(trace && { trace: (fact: TraceFact) => call(trace, fact) }),
      ...(link.airtimeUs && { airtimeUs: (bytes: number) => link.airtimeUs?.(bytes) ?? 0 }),
    });
    this.#driver = new Driver(link, clock, this.#protocol, (event) => this.#dispatch(event));
    protection?.watch((address) => {
      if (!this.#driver.isRunning) return;
      this.#protocol.handleKeysChanged(address, clock.nowUs());
      this.#driver.pumpSoon();
    });
    this.#outbox = new Outbox(this.#driver);
    this.#sessionless = new SessionlessDesk(this.#driver);
    this.#exchange = new Exchange(
      clock,
      (address, bytes, sendOptions, channel, isAnswer) =>
        this.#outbox.send(address, bytes, sendOptions, channel, false, isAnswer),
      random(),
    );
  }

  /** This side's own address, if the link knows it. */
  get address(): Address | undefined {
    return this.#driver.link.localAddress;
  }

  /** Counts that belong to no peer. */
  get counts(): Readonly<ProtocolCounts> {
    return this.#protocol.counts;
  }

  /** Bytes held for all peers: parts of messages, and messages not read yet. */
  get heldBytes(): number {
    return this.#protocol.totalBudget.heldBytes;
  }

  /**
   * The peer at an address. Nothing is sent until you send.
   * @throws {@link FardelError} `invalid-option`
   */
  peer(address: Address): RemotePeer {
    if (!(address instanceof Uint8Array) || address.length === 0) {
      throw invalidOption("address", "it is not a Uint8Array of at least one byte");
    }
    const key = addressKey(address);
    const known = this.#peers.get(key) ?? this.#protocol.find(address)?.handle;
    const peer = known instanceof RemotePeer ? known : this.#createRemote(address.slice());
    this.#peers.set(key, peer);
    return peer;
  }

  /** Reports on all peers that are remembered. */
  reports(): PeerReport[] {
    const nowUs = this.#clock.nowUs();
    return Array.from(this.#protocol.peers, (peer) => reportOn(peer, nowUs));
  }

  /**
   * Messages under way in both directions: begun or queued here, begun to arrive. Unacknowledged
   * ones are left out, and so is what has arrived only behind a gap.
   * @param countMax - the rest is left out; default 1,000
   */
  transfers(countMax = 1000): TransferReport[] {
    return transfersOf(this.#protocol.peers, countMax);
  }

  /**
   * Whole messages, as they arrive. A message counts as held until you ask for the next one: read
   * slowly and the senders wait. Several readers share the messages between them.
   */
  messages(): AsyncIterableIterator<Message> {
    return this.#messages.read();
  }

  /**
   * Take whole messages in a callback instead, at once; nothing is then held. What the callback
   * throws surfaces as an uncaught error of its own.
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

  /**
   * Datagrams without session of one kind: announcements, queries, pairing (`@fardel/pairing` speaks
   * them). PROTOCOL.md, section 15.
   * @param kind - 1 to 255, see {@link SESSIONLESS_KIND}
   * @throws {@link FardelError} `invalid-option`
   */
  sessionless(kind: number, listener: SessionlessListener): Sessionless {
    return this.#sessionless.open(kind, listener);
  }

  /** Hand over to the link at once what was sent in this turn of the event loop. */
  flush(): void {
    this.#driver.pump();
  }

  /**
   * Stop: peers are told, messages under way fail with `endpoint-closed`, readers finish, the link
   * is closed. Waits up to a quarter of a second for the last datagrams to leave, but not on a
   * virtual clock. May be called twice.
   */
  close(): Promise<void> {
    return this.#driver.close(CLOSE_REASON.shuttingDown, () => {
      for (const inbox of [this.#messages, this.#requests, this.#incomingStreams]) {
        inbox.discard();
        inbox.close();
      }
    });
  }

  [Symbol.asyncDispose](): Promise<void> {
    return this.close();
  }

  /** The operations of a peer's handle; a closure, so that handles show nothing but their own methods. */
  #createRemote(address: Address): RemotePeer {
    return new RemotePeer(address, {
      send: async (bytes, options) =>
        this.#outbox.send(
          address,
          bytes,
          options,
          wireChannel(options),
          options.way === "unacknowledged",
        ),
      request: (bytes, options) => this.#request(address, bytes, options),
      report: () => {
        const peer = this.#protocol.find(address);
        return peer && reportOn(peer, this.#clock.nowUs());
      },
      close: () => {
        const peer = this.#protocol.find(address);
        if (!peer || !this.#driver.isRunning) return;
        this.#driver.closePeer(peer, CLOSE_REASON.done);
        this.#driver.pump();
      },
    });
  }

  /** A peer that owes a reply is not idle. */
  async #request(
    address: Address,
    bytes: Uint8Array,
    options: DeliveryOptions,
  ): Promise<Uint8Array> {
    const reply = this.#exchange.request(address, bytes, options);
    const peer = this.#protocol.find(address);
    if (peer) peer.requestsPending++;
    try {
      return await reply;
    } finally {
      if (peer) peer.requestsPending--;
    }
  }

  /** The handle of a peer that spoke to us; it is forgotten with the peer unless its owner asked for it. */
  #remote(peer: Peer): RemotePeer {
    const known = this.#peers.get(peer.key) ?? peer.handle;
    const remote = known instanceof RemotePeer ? known : this.#createRemote(peer.address);
    peer.handle = remote;
    return remote;
  }

  #dispatch(event: ProtocolEvent): void {
    switch (event.type) {
      case "message-received":
        this.#receive(event);
        break;
      case "message-ended":
        this.#outbox.settle(event.message, event.end);
        break;
      case "message-progressed":
        call(this.#outbox.progressOf(event.message), undefined);
        break;
      case "sessionless-received":
        this.#sessionless.receive(event);
        break;
      case "session-opened":
        this.#emit("session-opened", { peer: this.#remote(event.peer) });
        break;
      case "session-ended":
        this.#endSession(event.peer, event.why);
        break;
      default:
        this.#dispatchStream(event);
    }
  }

  #receive(event: MessageReceived): void {
    const { peer, bytes, way, wireChannel: channel, heldBytes } = event;
    const release = () => this.#release(peer, heldBytes, -1);
    if (way !== "unacknowledged" && isExchange(channel)) {
      this.#receiveExchange(event, release);
      return;
    }
    const index = way === "unacknowledged" ? channel : indexInWay(channel);
    const message = { peer: this.#remote(peer), bytes, way, channel: index };
    if (this.#onMessage) {
      release();
      call(this.#onMessage, message);
      return;
    }
    this.#messages.push(message, release);
    this.#clock.wakeWaiters?.();
  }

  #receiveExchange(
    { peer, session, bytes, wireChannel: channel }: MessageReceived,
    release: () => void,
  ): void {
    const isSameSession = () => this.#protocol.find(peer.address)?.session === session;
    const request = this.#exchange.receive(peer.address, bytes, channel, isSameSession);
    if (request === "malformed") peer.statistics.malformed++;
    if (typeof request === "object")
      this.#requests.push({ peer: this.#remote(peer), ...request }, release);
    else release();
    this.#clock.wakeWaiters?.();
  }

  #dispatchStream(event: StreamEvent): void {
    const { peer, stream } = event;
    const incoming = this.#streams.get(stream);
    switch (event.type) {
      case "stream-opened":
        this.#openStream(event);
        break;
      case "stream-data":
        incoming?.inbox.push(event.bytes, () => this.#release(peer, event.heldBytes, stream));
        break;
      case "stream-ended":
      case "stream-failed":
        this.#streams.delete(stream);
        incoming?.inbox.close(
          event.type === "stream-failed"
            ? new FardelError(event.code, sentenceFor(event.code))
            : undefined,
        );
        break;
    }
    this.#clock.wakeWaiters?.();
  }

  #openStream({
    peer,
    stream,
    way,
    wireChannel: channel,
    totalBytes,
  }: Extract<StreamEvent, { type: "stream-opened" }>): void {
    const onCancel = () => {
      this.#protocol.cancelStream(peer, stream, this.#clock.nowUs());
      this.#driver.pumpSoon();
    };
    const incoming = new IncomingStream(
      this.#remote(peer),
      way,
      indexInWay(channel),
      totalBytes,
      new Inbox(),
      onCancel,
    );
    this.#streams.set(stream, incoming);
    this.#incomingStreams.push(incoming, () => {
      this.#protocol.noteStreamTaken(peer, this.#clock.nowUs());
      this.#driver.pumpSoon();
    });
  }

  #release(peer: Peer, heldBytes: number, stream: number): void {
    this.#protocol.release(peer, heldBytes, stream, this.#clock.nowUs());
    this.#driver.pumpSoon();
  }

  #endSession(peer: Peer, why: SessionEnd): void {
    const code: FardelErrorCode = why === "closed-here" ? "endpoint-closed" : why;
    this.#exchange.endSession(peer.key, new FardelError(code, sentenceFor(code), "unknown"));
    this.#emit("session-ended", { peer: this.#remote(peer), why });
    this.#clock.wakeWaiters?.();
  }

  #emit<K extends keyof EndpointEvents>(type: K, event: EndpointEvents[K]): void {
    for (const listener of this.#listeners.get(type) ?? []) call(listener as Listener<K>, event);
  }
}

function cryptoRandom(): number {
  return crypto.getRandomValues(new Uint32Array(1))[0] as number;
}
