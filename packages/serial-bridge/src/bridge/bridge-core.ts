import {
  type BridgeFacts,
  type BridgeFrame,
  decodeHostFrame,
  type HostFrame,
  type TokenOutcome,
} from "../bridge-frames.js";
import { FrameReader, type Framing } from "../frame-reader.js";
import { TYPE } from "../frame-types.js";
import {
  BRIDGE_BODY_BYTES_MIN,
  HOST_SILENCE_US,
  UNASKED_HELLO_US,
  VERSION_MAX,
  VERSION_MIN,
} from "../limits.js";
import { BridgeCounts } from "./bridge-counts.js";
import { type AnswerSources, LineOutput } from "./line-output.js";
import { PeerTable } from "./peer-table.js";
import { type Departed, SendQueue } from "./send-queue.js";
import { TokenLedger } from "./token-ledger.js";

/** What the radio says became of a datagram. */
export type RadioResult = Exclude<TokenOutcome, "queue-full" | "lost-on-line">;

/** What a bridge is told when it boots. */
export interface BridgeCoreOptions {
  /** What it says of itself. `channel` is the one that is set at first. */
  readonly facts: BridgeFacts;
  readonly framing: Framing;
  /** Its incarnation: another one at each boot, 1 to 2^32 - 1. */
  readonly incarnation: number;
  /** Datagrams that the radio takes at once, at least 1. */
  readonly radioDepth: number;
  /** Datagrams heard that may wait for the line, at least 1. When full: the newest is dropped. */
  readonly heardMax: number;
}

/** What the radio is to do, in this order. The arrays are the bridge's, and stay until the result is in. */
export interface RadioOrder {
  /** To be put out of the radio's table of peers. */
  readonly putOut: Uint8Array | undefined;
  /** To be put in: the same as `to`. */
  readonly putIn: Uint8Array | undefined;
  /** For {@link BridgeCore.handleTransmitted}. */
  readonly transmission: number;
  readonly to: Uint8Array;
  readonly datagram: Uint8Array;
}

type SendFrame = Extract<HostFrame, { type: "send" }>;
type HelloRequest = Extract<HostFrame, { type: "hello-request" }>;

/**
 * The board's side of the bridge protocol, without ports, radios, timers or promises: of fixed size,
 * to be carried over to C line by line.
 *
 * Commands: `log`. Inputs: `handleBytes`, `handleTransmitted`, `handleReceived`, `handleChannelSet`,
 * `handleChannelChanged`, `handleTimeout`. Outputs: after each of them call `pollChannel`, then
 * `pollTransmit` until nothing comes, then `pollBytes` as long as the line takes bytes, then look at
 * `timeoutUs`. All instants are microseconds of one clock.
 *
 * @see BRIDGE.md
 */
export class BridgeCore {
  readonly #options: BridgeCoreOptions;
  readonly #bootUs: number;
  readonly #reader: FrameReader;
  readonly #ledger: TokenLedger;
  readonly #queue: SendQueue;
  readonly #peers: PeerTable;
  readonly #output: LineOutput;
  readonly #counts = new BridgeCounts();
  #facts: BridgeFacts;
  /** Number of the host that it is in session with; 0: none. */
  #host = 0;
  /** When that host is held to be silent. */
  #hostSilentUs = Number.POSITIVE_INFINITY;
  #unaskedHelloUs = Number.NEGATIVE_INFINITY;
  /** The address that SEND-AGAIN means. */
  #impliedTo: Uint8Array | undefined;
  /** The CHANNEL? that the radio is busy with, and whether it has been told yet. */
  #channelRequest: { readonly request: number; readonly channel: number } | undefined;
  #isChannelTold = false;

  constructor(options: BridgeCoreOptions, nowUs: number) {
    const { facts, framing, heardMax } = options;
    const { mtuBytes, queue, peersMax, canBroadcast, address } = facts;
    const addressBytes = address.length;
    this.#options = options;
    this.#bootUs = nowUs;
    this.#facts = facts;
    this.#reader = new FrameReader(
      framing,
      Math.max(BRIDGE_BODY_BYTES_MIN, mtuBytes + addressBytes + 2),
      (type) => (type === TYPE.sendAgain ? this.#impliedTo : undefined),
    );
    this.#ledger = new TokenLedger(queue);
    this.#queue = new SendQueue(queue, addressBytes, mtuBytes);
    const broadcast = canBroadcast ? new Uint8Array(addressBytes).fill(0xff) : undefined;
    this.#peers = new PeerTable(peersMax, broadcast);
    this.#output = new LineOutput({ framing, addressBytes, mtuBytes, heardMax });
    this.#sayHello(0);
  }

  /** Whether a host is in session with it. */
  get isInSession(): boolean {
    return this.#host !== 0;
  }

  /** When {@link BridgeCore.handleTimeout} has something to do; infinite: never. */
  get timeoutUs(): number {
    return Math.min(this.#hostSilentUs, this.#queue.silentUs);
  }

  /** What it has counted since its boot. @see BRIDGE.md, section 5.5 */
  countsAt(nowUs: number): number[] {
    return this.#counts.list({
      uptimeUs: nowUs - this.#bootUs,
      reader: this.#reader.counts,
      putOut: this.#peers.putOutCount,
    });
  }

  // ---- commands

  /**
   * A line of text for the host. Too many at once: the newest are dropped.
   * @param level - severity of RFC 5424, 0 to 7
   * @param text - cut after 200 bytes
   */
  log(level: number, text: string): void {
    this.#output.log(level, text);
  }

  // ---- inputs

  /** Bytes from the host, cut anywhere. */
  handleBytes(bytes: Uint8Array, nowUs: number): void {
    this.#reader.push(bytes, { onFrame: (body) => this.#handleBody(body, nowUs) });
  }

  /** The radio has said what became of a datagram: once, or never, or too late. */
  handleTransmitted(transmission: number, result: RadioResult): void {
    const departed = this.#queue.finish(transmission);
    if (!departed) return;
    if (result === "acknowledged") this.#counts.acknowledged++;
    if (result === "not-acknowledged") this.#counts.notAcknowledged++;
    if (result === "not-taken") this.#counts.refused++;
    this.#finish(departed, result);
  }

  /** The radio has heard a datagram for this board or for everybody. */
  handleReceived(from: Uint8Array, rssiDbm: number | undefined, datagram: Uint8Array): void {
    this.#counts.heard++;
    if (!this.isInSession) return;
    const { mtuBytes, address } = this.#facts;
    const fits = from.length === address.length && datagram.length <= mtuBytes;
    if (!fits || !this.#output.hear(from, rssiDbm, datagram)) this.#counts.dropped++;
  }

  /** The radio has done what {@link BridgeCore.pollChannel} said, or not. */
  handleChannelSet(result: "set" | "not-allowed"): void {
    const asked = this.#channelRequest;
    if (!asked) return;
    this.#channelRequest = undefined;
    if (result === "set") this.#facts = { ...this.#facts, channel: asked.channel };
    this.#answerChannel(asked.request, result);
  }

  /** The radio's channel has changed by itself. */
  handleChannelChanged(channel: number): void {
    this.#facts = { ...this.#facts, channel };
    if (this.isInSession) this.#answerChannel(0, "set");
  }

  handleTimeout(nowUs: number): void {
    for (let left = this.#queue.giveUp(nowUs); left; left = this.#queue.giveUp(nowUs)) {
      this.#counts.radioSilences++;
      this.#finish(left, "unknown");
    }
    if (nowUs >= this.#hostSilentUs) this.#endSession();
  }

  // ---- outputs

  /** The channel that the radio is to be set to, once for each question of the host. */
  pollChannel(): number | undefined {
    if (!this.#channelRequest || this.#isChannelTold) return undefined;
    this.#isChannelTold = true;
    return this.#channelRequest.channel;
  }

  /** What the radio is to do next. */
  pollTransmit(nowUs: number): RadioOrder | undefined {
    for (let next = this.#queue.next(); next; next = this.#queue.next()) {
      if (this.#queue.withRadio >= this.#options.radioDepth) return undefined;
      const admission = this.#peers.admit(next.to, (to) => this.#queue.isWithRadio(to));
      if (admission) {
        this.#counts.toRadio++;
        const putIn = admission.isNew ? next.to : undefined;
        const transmission = this.#queue.hand(nowUs);
        return { putOut: admission.putOut, putIn, transmission, ...next };
      }
      // Whoever is with the radio makes room soon.
      if (this.#queue.withRadio > 0) return undefined;
      // A table that the broadcast address fills alone: this one can never go.
      this.#counts.refused++;
      this.#finish(this.#queue.drop(), "not-taken");
    }
    return undefined;
  }

  /**
   * The next frame for the line.
   * @param hasPause - whether nothing leaves right before it
   */
  pollBytes(nowUs: number, hasPause: boolean): Uint8Array | undefined {
    return this.#output.poll(this.#sourcesAt(nowUs), hasPause);
  }

  // ---- frames of the host

  #handleBody(body: Uint8Array, nowUs: number): void {
    if (this.isInSession) this.#hostSilentUs = nowUs + HOST_SILENCE_US;
    const decoded = decodeHostFrame(body, this.#facts.address.length, this.#impliedTo);
    if (decoded.ok) this.#handleFrame(decoded.value, nowUs);
    else if (decoded.fault === "unknown-type") this.#counts.unknownType++;
    else this.#counts.malformed++;
  }

  #handleFrame(frame: HostFrame, nowUs: number): void {
    // The address is right whatever becomes of the datagram: short frames behind it mean it.
    if (frame.type === "send" && !frame.again) this.#impliedTo = frame.to.slice();
    if (frame.type === "hello-request") this.#handleHelloRequest(frame, nowUs);
    else if (frame.type === "goodbye") this.#endSession();
    else if (!this.isInSession) this.#sayUnaskedHello(nowUs);
    else this.#handleInSession(frame);
  }

  #handleInSession(frame: Exclude<HostFrame, { type: "hello-request" | "goodbye" }>): void {
    switch (frame.type) {
      case "send":
        this.#take(frame);
        break;
      case "channel-request":
        this.#askChannel(frame.request, frame.channel);
        break;
      case "status-request":
        this.#output.askStatus(frame.request);
        break;
      case "statistics-request":
        this.#output.askStatistics(frame.request);
        break;
    }
  }

  #take({ token, to, datagram }: SendFrame): void {
    const taken = this.#ledger.take(token);
    if (!taken) {
      this.#counts.malformed++;
      return;
    }
    this.#counts.lostOnLine += taken.lost;
    const isTooLong = datagram.length > this.#facts.mtuBytes;
    if (!isTooLong && this.#queue.push(taken.number, to, datagram)) return;
    this.#counts.refused++;
    this.#ledger.finish(taken.number, isTooLong ? "not-taken" : "queue-full");
  }

  #askChannel(request: number, channel: number): void {
    if (!this.#facts.canSetChannel) this.#answerChannel(request, "cannot");
    else if (this.#queue.count > 0) this.#answerChannel(request, "busy");
    else {
      this.#channelRequest = { request, channel };
      this.#isChannelTold = false;
    }
  }

  #answerChannel(request: number, result: "set" | "not-allowed" | "busy" | "cannot"): void {
    this.#output.channel({ type: "channel", request, result, channel: this.#facts.channel });
  }

  // ---- sessions

  #handleHelloRequest({ host, versionMin, versionMax }: HelloRequest, nowUs: number): void {
    const isCommon = versionMin <= VERSION_MAX && versionMax >= VERSION_MIN;
    if (!isCommon) this.#endSession();
    else if (host !== this.#host) this.#beginSession(host, nowUs);
    this.#sayHello(host);
  }

  #beginSession(host: number, nowUs: number): void {
    this.#host = host;
    this.#hostSilentUs = nowUs + HOST_SILENCE_US;
    this.#queue.empty();
    this.#ledger.reset();
    this.#output.reset();
    this.#impliedTo = undefined;
    this.#channelRequest = undefined;
  }

  /** What the host handed over goes out all the same: it may have said farewell to somebody, too. */
  #endSession(): void {
    this.#host = 0;
    this.#hostSilentUs = Number.POSITIVE_INFINITY;
    this.#channelRequest = undefined;
    this.#output.reset();
  }

  #sayUnaskedHello(nowUs: number): void {
    if (nowUs < this.#unaskedHelloUs + UNASKED_HELLO_US) return;
    this.#unaskedHelloUs = nowUs;
    this.#sayHello(0);
  }

  #sayHello(host: number): void {
    this.#output.hello({
      type: "hello",
      versionMin: VERSION_MIN,
      versionMax: VERSION_MAX,
      host,
      bridge: this.#options.incarnation,
      facts: this.#facts,
    });
  }

  // ---- outcomes

  /** @param departed - of an earlier session: its outcome is nobody's business */
  #finish(departed: Departed | undefined, outcome: TokenOutcome): void {
    if (departed?.number !== undefined) this.#ledger.finish(departed.number, outcome);
  }

  #sourcesAt(nowUs: number): AnswerSources {
    return {
      hasUntold: this.isInSession && this.#ledger.hasUntold,
      status: (request) => this.#status(request),
      statistics: (request) => ({ type: "statistics", request, counts: this.countsAt(nowUs) }),
    };
  }

  #status(request: number): BridgeFrame {
    const ledger = this.#ledger;
    const outcomes = request === 0 ? ledger.tellNext() : ledger.tellAll();
    return { type: "status", request, nextToken: ledger.nextToken, outcomes };
  }
}
