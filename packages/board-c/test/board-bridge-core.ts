import type {
  BridgeCoreOptions,
  RadioOrder,
  RadioResult,
} from "../../serial-bridge/src/bridge/bridge-core.js";
import { type BridgeConfig, C, configBytes, TOLD } from "./bridge-program.js";
import type { CProgram } from "./support/c-program.js";

/** The clock of a board wraps around: this one 2.5 s after the clock of its test began. */
const BOARD_CLOCK_US = 2 ** 32 - 2_500_000;
/** Four lines of text of any length, as many as `BridgeCore` holds. */
const TEXT_BYTES = 4 * 202;

const RESULTS: Readonly<Record<RadioResult, number>> = {
  sent: C.sent,
  acknowledged: C.acknowledged,
  "not-acknowledged": C.notAcknowledged,
  unknown: C.unknown,
  "not-taken": C.notTaken,
};

/** How the radio behind a bridge in C answers what it is asked. */
export interface BoardRadio {
  /** @returns 0 if it takes the datagram */
  transmit(order: RadioOrder): number;
  putIn(address: Uint8Array): number;
  setChannel(channel: number): number;
}

/** Takes everything, and says later what became of it. */
const PATIENT: BoardRadio = {
  transmit: () => 0,
  putIn: () => 0,
  setChannel: () => C.channelLater,
};

/**
 * The bridge in C, as the `BridgeCore` of `@fardel/serial-bridge`: the same methods, so that whatever
 * drives or tests the one can drive or test the other.
 */
export class BoardBridgeCore {
  readonly #program: CProgram;
  readonly #radio: BoardRadio;
  readonly #number: number;
  readonly #addressBytes: number;
  readonly #mtuBytes: number;
  readonly #orders: RadioOrder[] = [];
  #putOut: Uint8Array | undefined;
  #putIn: Uint8Array | undefined;
  #channel: number | undefined;
  #told: Uint8Array | undefined;
  #nowUs: number;

  /** @throws Error if the options are not possible */
  constructor(
    program: CProgram,
    options: BridgeCoreOptions,
    nowUs: number,
    radio: BoardRadio = PATIENT,
  ) {
    const { facts, incarnation } = options;
    this.#program = program;
    this.#radio = radio;
    this.#addressBytes = facts.address.length;
    this.#mtuBytes = facts.mtuBytes;
    this.#nowUs = nowUs;
    const config = configBytes(configOf(options));
    const ints = [config.length, incarnation, this.#at(nowUs)];
    this.#number = program.call(this.#listen, "bridge_open", ints, config);
    if (this.#number < 0) throw new Error(`The bridge in C does not open: ${this.#number}.`);
  }

  get isInSession(): boolean {
    return this.#call("bridge_in_session", []) !== 0;
  }

  /** Whether something waits for the line. */
  get hasOutput(): boolean {
    return this.#call("bridge_has_output", []) !== 0;
  }

  get timeoutUs(): number {
    const inUs = this.#call("bridge_timeout", [this.#at(this.#nowUs)]);
    return inUs < 0 ? Number.POSITIVE_INFINITY : this.#nowUs + inUs;
  }

  countsAt(nowUs: number): number[] {
    this.#call("bridge_counts", [this.#at(nowUs)]);
    const view = new DataView(this.#takeTold()!.buffer);
    return Array.from({ length: C.countOfCounts }, (_, index) => view.getUint32(4 * index));
  }

  log(level: number, text: string): void {
    const bytes = new TextEncoder().encode(text);
    this.#call("bridge_log", [bytes.length, level], bytes);
  }

  handleBytes(bytes: Uint8Array, nowUs: number): void {
    this.#call("bridge_bytes_received", [bytes.length, this.#at(nowUs)], bytes);
  }

  handleTransmitted(transmission: number, result: RadioResult): void {
    this.handleOutcome(transmission, RESULTS[result]);
  }

  /** As a radio tells it in C, right or wrong. */
  handleOutcome(ticket: number, outcome: number): void {
    this.#call("bridge_outcome", [ticket, outcome]);
  }

  handleReceived(from: Uint8Array, rssiDbm: number | undefined, datagram: Uint8Array): void {
    // A board knows no address of another length: it stands for a datagram that no frame can hold.
    const isOdd = from.length !== this.#addressBytes;
    const bytes = new Uint8Array(
      this.#addressBytes + (isOdd ? this.#mtuBytes + 1 : datagram.length),
    );
    if (!isOdd) {
      bytes.set(from);
      bytes.set(datagram, from.length);
    }
    this.#call("bridge_heard", [bytes.length, rssiOf(rssiDbm)], bytes);
  }

  handleChannelSet(result: "set" | "not-allowed"): void {
    const number = result === "set" ? C.channelSet : C.channelNotAllowed;
    this.#call("bridge_channel_set", [number]);
  }

  handleChannelChanged(channel: number): void {
    this.#call("bridge_channel_changed", [channel]);
  }

  handleTimeout(nowUs: number): void {
    this.#call("bridge_timeouts", [this.#at(nowUs)]);
  }

  pollChannel(): number | undefined {
    this.#channel = undefined;
    this.#call("bridge_ask_channel", []);
    return this.#channel;
  }

  pollTransmit(nowUs: number): RadioOrder | undefined {
    if (this.#orders.length === 0) this.#call("bridge_feed_radio", [this.#at(nowUs)]);
    return this.#orders.shift();
  }

  pollBytes(nowUs: number, hasPause: boolean): Uint8Array | undefined {
    this.#call("bridge_frame", [hasPause ? 1 : 0, this.#at(nowUs)]);
    return this.#takeTold();
  }

  // ---- as a program on a board drives it

  /** Does what is due, channel and radio included. @returns microseconds until it wants to be called again */
  poll(nowUs: number): number {
    return this.#call("bridge_poll", [this.#at(nowUs)]);
  }

  /** What the radio was told since this was called. */
  takeOrders(): RadioOrder[] {
    return this.#orders.splice(0);
  }

  /** As a port takes it: at most so many bytes, wherever frames begin and end. */
  pollSome(bytesMax: number, nowUs: number): Uint8Array {
    this.#call("bridge_output", [bytesMax, this.#at(nowUs)]);
    return this.#takeTold() ?? new Uint8Array(0);
  }

  // ---- a look inside, for vectors

  /** Takes bytes one by one. @returns the bodies of undamaged frames */
  watchBytes(bytes: Uint8Array, nowUs: number): Uint8Array[] {
    const bodies: Uint8Array[] = [];
    const listen = (what: number, value: number, told: Uint8Array) =>
      what === TOLD.body ? bodies.push(told) : this.#listen(what, value, told);
    const ints = [this.#number, bytes.length, this.#at(nowUs)];
    this.#program.call(listen, "bridge_watch_bytes", ints, bytes);
    return bodies;
  }

  /** As if a long session had come here. @param pairs - token and outcome, the last finished first */
  setLedger(nextToken: number, pairs: readonly number[]): void {
    this.#call("bridge_set_ledger", [pairs.length, nextToken], Uint8Array.from(pairs));
  }

  setCounts(counts: readonly number[]): void {
    for (const [index, count] of counts.entries()) this.#call("bridge_set_count", [index, count]);
  }

  /** The last one that the radio was given. */
  setTicket(ticket: number): void {
    this.#call("bridge_set_ticket", [ticket]);
  }

  setSequence(sequence: number): void {
    this.#call("bridge_set_sequence", [sequence]);
  }

  #call(name: string, ints: readonly number[], bytes?: Uint8Array): number {
    return this.#program.call(this.#listen, name, [this.#number, ...ints], bytes);
  }

  #at(nowUs: number): number {
    this.#nowUs = nowUs;
    return (nowUs + BOARD_CLOCK_US) >>> 0;
  }

  #takeTold(): Uint8Array | undefined {
    const told = this.#told;
    this.#told = undefined;
    return told;
  }

  readonly #listen = (what: number, value: number, told: Uint8Array): number => {
    // Some programs tell in arrays of a kind of their own.
    const bytes = new Uint8Array(told);
    switch (what) {
      case TOLD.transmit:
        return this.#radio.transmit(this.#order(value, bytes));
      case TOLD.putIn:
        this.#putIn = bytes;
        return this.#radio.putIn(bytes);
      case TOLD.putOut:
        this.#putOut = bytes;
        return 0;
      case TOLD.channel:
        this.#channel = value;
        return this.#radio.setChannel(value);
      default:
        this.#told = bytes;
        return 0;
    }
  };

  #order(transmission: number, bytes: Uint8Array): RadioOrder {
    const to = bytes.slice(0, this.#addressBytes);
    const datagram = bytes.slice(this.#addressBytes);
    const order = { putOut: this.#putOut, putIn: this.#putIn, transmission, to, datagram };
    this.#putOut = undefined;
    this.#putIn = undefined;
    this.#orders.push(order);
    return order;
  }
}

/** The config in C that says the same as these options. */
export function configOf({
  facts,
  framing,
  radioDepth,
  heardMax,
}: BridgeCoreOptions): BridgeConfig {
  return {
    airtimePerByteNs: facts.airtimePerByteNs,
    airtimeFixedUs: facts.airtimeFixedUs,
    mtuBytes: facts.mtuBytes,
    textBytes: TEXT_BYTES,
    queue: facts.queue,
    heard: heardMax,
    peers: facts.peersMax,
    radioDepth,
    channel: facts.channel,
    abilities:
      (facts.canBroadcast ? C.canBroadcast : 0) |
      (facts.tellsAcknowledgement ? C.tellsAcknowledgement : 0),
    framing,
    canSetChannel: facts.canSetChannel,
    address: facts.address,
    name: facts.name,
  };
}

function rssiOf(dbm: number | undefined): number {
  if (dbm === undefined || Number.isNaN(dbm)) return C.rssiUnknown;
  return Math.max(-127, Math.min(127, Math.round(dbm)));
}
