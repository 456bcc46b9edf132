import type { Address, Link, LinkHandlers, SendOutcome } from "@fardel/core";
import type { BridgeFacts } from "./bridge-frames.js";
import { type BridgeStatistics, statisticsOf } from "./bridge-statistics.js";
import type { PortSource } from "./byte-port.js";
import { SerialBridgeError } from "./errors.js";
import { rateTrials } from "./host/bit-rates.js";
import type { Connection, ConnectionEnd, ConnectionOptions } from "./host/connection.js";
import { type FoundBridge, findBridge } from "./host/find-bridge.js";
import { greet } from "./host/greet.js";
import type { HostEvent, SessionLoss, StatisticsAnswer } from "./host/host-events.js";
import { Pending } from "./host/pending.js";
import { RadioChannel } from "./host/radio-channel.js";
import { Reopening } from "./host/reopening.js";
import { bridgeChanged, downSentence, versionMismatch } from "./host/sentences.js";
import {
  heardBy,
  ListenerBook,
  type SerialBridgeEvents,
  shielded,
} from "./serial-bridge-events.js";
import {
  connectionOptionsOf,
  type SerialBridgeCounts,
  type SerialBridgeOptions,
} from "./serial-bridge-options.js";

/**
 * A link over a board on a serial port: the board forwards datagrams between the port and its radio.
 *
 * ```ts
 * const link = await SerialBridgeLink.connect(source, { bitRate: 115200 });
 * const gateway = await Endpoint.open({ link });
 * ```
 *
 * When the port goes away or the board falls silent, the link is down; it comes back by itself, and
 * the sessions of the endpoint go on. See BRIDGE.md for what passes over the line.
 */
export class SerialBridgeLink implements Link, AsyncDisposable {
  readonly mtuBytes: number;
  readonly outstandingMax: number;
  /** Not even a field where the bridge cannot broadcast. */
  declare readonly broadcastAddress?: Address;
  /** Not even a field where the bridge does not know it. */
  declare readonly airtimeUs?: (datagramBytes: number) => number;

  readonly #source: PortSource;
  readonly #bitRate: number;
  readonly #options: ConnectionOptions;
  readonly #listeners: ListenerBook;
  readonly #channel: RadioChannel;
  #connection: Connection;
  #facts: BridgeFacts;
  #state: "up" | "down" | "closed" = "down";
  #handlers: LinkHandlers | undefined;
  #outstanding = 0;
  #reopening: Reopening | undefined;
  #reopenings = 0;
  #hasBeenUp = false;
  #statistics: Pending<BridgeStatistics> | undefined;
  #closing: Promise<void> | undefined;

  /**
   * Open the port and find the bridge behind it.
   * @throws {@link SerialBridgeError} `invalid-option`; `port-not-found`, `port-busy`,
   * `port-forbidden`, `port-failed`; `no-answer`, `version-mismatch`, `aborted`
   */
  static async connect(
    source: PortSource,
    options: SerialBridgeOptions = {},
  ): Promise<SerialBridgeLink> {
    const { bitRate, bitRates, signal, onLog, onChatter } = options;
    const trials = rateTrials(bitRate, bitRates);
    const listeners = new ListenerBook();
    if (onLog) listeners.add("log", onLog);
    if (onChatter) listeners.add("chatter", onChatter);
    const connectionOptions = connectionOptionsOf(options);
    const handlers = heardBy(listeners);
    const found = await findBridge(source, trials, connectionOptions, handlers, signal);
    return new SerialBridgeLink(source, found, connectionOptions, listeners);
  }

  private constructor(
    source: PortSource,
    { connection, bitRate }: FoundBridge,
    options: ConnectionOptions,
    listeners: ListenerBook,
  ) {
    const facts = connection.facts!;
    this.#source = source;
    this.#bitRate = bitRate;
    this.#options = options;
    this.#listeners = listeners;
    this.#connection = connection;
    this.#facts = facts;
    this.#channel = new RadioChannel(options.clock, source.label);
    this.mtuBytes = facts.mtuBytes;
    this.outstandingMax = facts.queue;
    if (facts.canBroadcast) this.broadcastAddress = facts.address.slice().fill(0xff);
    if (facts.airtimeFixedUs > 0 || facts.airtimePerByteNs > 0) {
      this.airtimeUs = (bytes) =>
        this.#facts.airtimeFixedUs + (bytes * this.#facts.airtimePerByteNs) / 1000;
    }
    this.#adopt(connection);
  }

  // ---- Link

  /** The address of the board's radio: that of the last one that was there. */
  get localAddress(): Address {
    return this.#facts.address;
  }

  /** @throws {@link SerialBridgeError} `link-closed`, or `invalid-option` for a second call */
  open(handlers: LinkHandlers): void {
    if (this.#state === "closed") throw this.#closedError();
    if (this.#handlers) {
      throw new SerialBridgeError(
        "invalid-option",
        `The link over ${this.#source.label} is open already. Open each link once.`,
      );
    }
    this.#handlers = handlers;
    if (this.#state === "up") return;
    this.#soon(() => this.#state === "down" && this.#tellStatus("down"));
  }

  send(to: Address, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    if (!this.#handlers || this.#state !== "up") this.#doneSoon(done, "gone");
    else if (datagram.length > this.mtuBytes || this.#outstanding >= this.outstandingMax) {
      this.#doneSoon(done, "refused");
    } else if (to.length !== this.#facts.address.length) {
      // Nobody can have such an address, so nobody acknowledges.
      this.#doneSoon(done, "not-acknowledged");
    } else this.#hand(to, datagram, done);
  }

  /**
   * Stop: outstanding sends end as `gone`, the bridge is told, the port is closed. Waits up to a
   * quarter of a second for the port to take the last bytes, but not on a virtual clock.
   */
  close(): Promise<void> {
    this.#closing ??= this.#close();
    return this.#closing;
  }

  [Symbol.asyncDispose](): Promise<void> {
    return this.close();
  }

  // ---- the bridge

  /** What the bridge says of itself; while it is away, what it said last. */
  get bridge(): BridgeFacts {
    return this.#facts;
  }

  /** The bit rate at which the bridge was found. */
  get bitRate(): number {
    return this.#bitRate;
  }

  get status(): "up" | "down" | "closed" {
    return this.#state;
  }

  get counts(): SerialBridgeCounts {
    const { counts, lineCounts } = this.#options;
    return {
      ...counts,
      reopenings: this.#reopenings,
      frames: lineCounts.frames,
      framesDamaged: lineCounts.damaged,
    };
  }

  /** Listen for an event. @returns a function that stops listening */
  on<K extends keyof SerialBridgeEvents>(
    type: K,
    listener: (event: SerialBridgeEvents[K]) => void,
  ): () => void {
    return this.#listeners.add(type, listener);
  }

  /**
   * Set the radio channel, when all that was sent before has left. It is set again when the board
   * has restarted.
   * @param channel - 1 to 255; which ones are allowed, local rules and the bridge say
   * @throws {@link SerialBridgeError} `invalid-option`, `channel-refused`, `no-answer`, `link-down`,
   * `link-closed`
   */
  async setRadioChannel(channel: number): Promise<void> {
    if (this.#state === "closed") throw this.#closedError();
    await this.#channel.set(channel, this.#facts.canSetChannel);
  }

  /**
   * Ask the bridge for its counts.
   * @throws {@link SerialBridgeError} `no-answer`, `link-down`, `link-closed`
   */
  statistics(): Promise<BridgeStatistics> {
    if (this.#state === "closed") return Promise.reject(this.#closedError());
    if (this.#state === "down") return Promise.reject(this.#downError());
    if (!this.#statistics) {
      this.#statistics = new Pending(this.#options.clock);
      this.#connection.askStatistics();
    }
    return this.#statistics.promise;
  }

  // ---- sending

  #hand(to: Address, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    this.#outstanding++;
    const whenDone = (outcome: SendOutcome) => {
      // First the place, then the owner, who may want it at once.
      this.#outstanding--;
      shielded(() => done(outcome));
    };
    const isTaken = this.#connection.send({ to, datagram, done: whenDone });
    if (!isTaken) this.#soon(() => whenDone("gone"));
  }

  #doneSoon(done: (outcome: SendOutcome) => void, outcome: SendOutcome): void {
    this.#soon(() => shielded(() => done(outcome)));
  }

  /** Not from inside the present call. */
  #soon(run: () => void): void {
    const { clock } = this.#options;
    clock.setTimer(clock.nowUs(), run);
  }

  // ---- what the connection tells

  /** A connection is ours from now on, in session or already over. */
  #adopt(connection: Connection): void {
    this.#connection = connection;
    connection.handlers = {
      onEvent: (event) => this.#handleEvent(event),
      onChatter: (text) => this.#listeners.emit("chatter", { text }),
      onEnded: (end) => this.#handleEnd(end),
    };
    if (connection.end) this.#handleEnd(connection.end);
    else if (connection.facts) this.#beginSession(connection.facts);
  }

  #handleEvent(event: HostEvent): void {
    switch (event.type) {
      case "session-opened":
        this.#beginSession(event.facts);
        break;
      case "session-lost":
        this.#goDown(SESSION_LOSSES[event.why]);
        break;
      case "datagram-received":
        this.#receive(event);
        break;
      case "channel-changed":
        this.#noteChannel(event.channel);
        break;
      case "channel-answered":
        if (this.#channel.handleAnswer(event.answer)) this.#goUp();
        break;
      case "statistics-answered":
        this.#answerStatistics(event.answer);
        break;
      case "log-received":
        this.#listeners.emit("log", { level: event.level, text: event.text });
        break;
      // The connection tells the outcome itself, and says that it is over.
      case "send-finished":
      case "session-stopped":
        break;
    }
  }

  #beginSession(facts: BridgeFacts): void {
    const { label } = this.#source;
    const error = bridgeChanged(label, this.mtuBytes, this.#facts.address.length, facts);
    if (error) {
      this.#fail(error);
      return;
    }
    this.#facts = facts;
    if (!this.#channel.begin(this.#connection, facts)) this.#goUp();
  }

  #receive(event: Extract<HostEvent, { type: "datagram-received" }>): void {
    const handlers = this.#handlers;
    if (!handlers || this.#state !== "up") return;
    const { from, datagram, rssiDbm } = event;
    const { channel } = this.#facts;
    const info = {
      ...(rssiDbm !== undefined && { rssiDbm }),
      ...(channel !== 0 && { radioChannel: channel }),
    };
    shielded(() => handlers.onDatagram(from, datagram, info));
  }

  #noteChannel(channel: number): void {
    if (channel === this.#facts.channel) return;
    this.#facts = { ...this.#facts, channel };
    this.#listeners.emit("channel", { channel });
  }

  #answerStatistics(answer: StatisticsAnswer): void {
    const pending = this.#statistics;
    this.#statistics = undefined;
    if (answer.result === "answered") pending?.resolve(statisticsOf(answer.counts));
    else if (answer.result === "session-lost") pending?.reject(this.#downError());
    else {
      const sentence = `The bridge on ${this.#source.label} did not tell its counts. Try again.`;
      pending?.reject(new SerialBridgeError("no-answer", sentence));
    }
  }

  // ---- up and down

  #goUp(): void {
    this.#state = "up";
    const isFirst = !this.#hasBeenUp;
    this.#hasBeenUp = true;
    if (isFirst) return;
    this.#listeners.emit("session", { bridge: this.#facts });
    this.#tellStatus("up", `The bridge on ${this.#source.label} is there again.`);
  }

  #goDown(why: string): void {
    this.#channel.end();
    if (this.#state !== "up") return;
    this.#state = "down";
    this.#tellStatus("down", why);
  }

  #tellStatus(status: "up" | "down", why?: string): void {
    const handlers = this.#handlers;
    shielded(() => handlers?.onStatus?.(status));
    if (why !== undefined) this.#listeners.emit("status", { status, why });
  }

  #handleEnd(end: ConnectionEnd): void {
    const { label } = this.#source;
    if (end.why === "version-mismatch" && end.versions) {
      this.#fail(versionMismatch(label, end.versions));
      return;
    }
    this.#goDown(downSentence(label, end));
    if (this.#state === "closed") return;
    this.#reopenings++;
    const { clock } = this.#options;
    this.#reopening = new Reopening(
      clock,
      (signal) => this.#attempt(signal),
      (connection) => {
        const isOver = connection.end !== undefined && connection.end.why !== "version-mismatch";
        if (!isOver) this.#adopt(connection);
        return !isOver;
      },
    );
  }

  #attempt(signal: AbortSignal): Promise<Connection> {
    return greet(this.#source, this.#bitRate, this.#options, heardBy(this.#listeners), signal);
  }

  /** Nothing can be done about it but by the owner: the link closes itself. */
  #fail(error: SerialBridgeError): void {
    this.#goDown(error.message);
    if (this.#state === "closed") return;
    this.#listeners.emit("failed", { error });
    void this.close();
  }

  async #close(): Promise<void> {
    this.#state = "closed";
    this.#handlers = undefined;
    this.#listeners.clear();
    this.#reopening?.cancel();
    this.#channel.abandon(this.#closedError());
    this.#statistics?.reject(this.#closedError());
    this.#statistics = undefined;
    await this.#connection.close();
  }

  #closedError(): SerialBridgeError {
    return new SerialBridgeError(
      "link-closed",
      `The link over ${this.#source.label} is closed. Connect anew.`,
    );
  }

  #downError(): SerialBridgeError {
    return new SerialBridgeError(
      "link-down",
      `The bridge on ${this.#source.label} cannot be reached now. Try again when the link is up.`,
    );
  }
}

const SESSION_LOSSES: Readonly<Record<SessionLoss, string>> = {
  restarted: "The board has restarted.",
  "out-of-step": "Host and bridge had lost each other and begin anew.",
};
