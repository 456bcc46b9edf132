import type {
  Address,
  DatagramInfo,
  Link,
  LinkHandlers,
  SendOutcome,
  TimerHandle,
} from "@fardel/core";
import { type AddressKey, addressKey, formatAddress, sameAddress } from "./address.js";
import type { Air } from "./air.js";
import type { Carrier } from "./carrier.js";
import { LossyLinkError } from "./errors.js";
import { checkImpairments, type Impairments } from "./impairments.js";
import type { Tally } from "./ledger.js";
import type { Origin } from "./path-book.js";
import { checkPosition, type Position } from "./propagation.js";
import { Timetable } from "./timetable.js";
import type { Transmission } from "./transmission.js";
import { checkChoice, checkInteger, checkUs, type Interval } from "./validation.js";

/** How a station joins a medium. */
export interface StationOptions {
  /** 1 to 255 bytes, usually 6; no other station may have it. */
  readonly address: Address;
  /** Needed if the medium has a `propagation`. */
  readonly position?: Position;
  /** 0..65535. Only stations on the same channel hear each other. Left out: none, one for all. */
  readonly radioChannel?: number;
  /** What befalls datagrams that it sends. Prevails over the settings of the medium. */
  readonly outgoing?: Impairments;
  /** What befalls datagrams to it. Prevails over the medium's and over the sender's `outgoing`. */
  readonly incoming?: Impairments;
  /** When its radio is off, see {@link LossyLink.restartRadio}. */
  readonly radioOff?: readonly Interval[];
}

/** Counts of one station since it was attached. */
export interface LinkStatistics {
  /** Outcomes that were told. */
  readonly outcomes: Readonly<Record<SendOutcome, number>>;
  /** Handed to `onDatagram`. */
  readonly received: Tally;
}

/** One endpoint of a simulated medium. Made by `Medium.attach`. */
export interface LossyLink extends Link {
  readonly localAddress: Address;
  airtimeUs(datagramBytes: number): number;
  /** @throws LossyLinkError `already-open`, `closed` */
  open(handlers: LinkHandlers): void;
  close(): void;
  /** Where it stands now, if that was told. */
  readonly position: Position | undefined;
  readonly radioChannel: number | undefined;
  readonly statistics: LinkStatistics;
  /**
   * Sets what befalls the datagrams of this station, in place of what was set for it before. Fields
   * that are left out go back to the medium's settings.
   * @param direction - default `both`
   * @throws LossyLinkError
   */
  setImpairments(impairments: Impairments, direction?: "outgoing" | "incoming" | "both"): void;
  /** Puts it elsewhere. @throws LossyLinkError */
  moveTo(position: Position): void;
  /**
   * Goes to another radio channel, at once. What is queued or on air ends as `gone`.
   * @throws LossyLinkError
   */
  setRadioChannel(radioChannel: number): void;
  /**
   * The radio goes off now: outstanding sends end as `gone`, also that on air, which nobody gets.
   * For `deafUs` microseconds nothing is heard and what is sent is `gone`; then it goes on. The
   * handler `onStatus` is told of both. Has no effect on a closed link.
   * @throws LossyLinkError
   */
  restartRadio(deafUs: number): void;
}

/** See {@link LossyLink}. What is not part of that interface is for the medium. */
export class Station implements LossyLink {
  readonly mtuBytes: number;
  readonly outstandingMax: number;
  readonly localAddress: Address;
  /** Not even a field where the medium cannot broadcast. */
  declare readonly broadcastAddress?: Address;
  readonly key: AddressKey;
  readonly origin: Origin;
  position: Position | undefined;
  radioChannel: number | undefined;
  outgoing: Impairments;
  incoming: Impairments;
  version: number;
  /** Open, and its radio on. */
  listening = false;
  closed = false;

  readonly #carrier: Carrier;
  readonly #outcomes: Record<SendOutcome, number> = {
    sent: 0,
    acknowledged: 0,
    "not-acknowledged": 0,
    refused: 0,
    gone: 0,
  };
  readonly #received = { datagrams: 0, bytes: 0 };
  readonly #radioOff: Timetable;
  #air: Air;
  #handlers: LinkHandlers | undefined;
  /** In the order of hand-over; the first one is on air or next. */
  #outstanding: Transmission[] = [];
  #neighbour: Station | undefined;
  #radioOn = true;
  #offUntilUs = 0;
  #radioTimer: TimerHandle | undefined;
  #timetableTimer: TimerHandle | undefined;

  /** @param options - checked */
  constructor(carrier: Carrier, options: StationOptions) {
    const { settings } = carrier;
    this.#carrier = carrier;
    this.mtuBytes = settings.mtuBytes;
    this.outstandingMax = settings.outstandingMax;
    this.localAddress = options.address.slice();
    if (settings.broadcastAddress !== undefined) {
      this.broadcastAddress = settings.broadcastAddress;
    }
    this.key = addressKey(options.address);
    this.origin = carrier.paths.origin(options.address);
    this.position = options.position;
    this.radioChannel = options.radioChannel;
    this.outgoing = options.outgoing ?? {};
    this.incoming = options.incoming ?? {};
    this.version = carrier.paths.nextVersion();
    this.#air = carrier.airFor(options.radioChannel);
    this.#radioOff = new Timetable(options.radioOff ?? []);
    this.#followTimetable();
  }

  // ---- Link

  airtimeUs(datagramBytes: number): number {
    return this.#carrier.meanAirtimeUs(datagramBytes);
  }

  open(handlers: LinkHandlers): void {
    if (this.closed) throw this.#misuse("closed", "is closed. Attach a new one to the medium");
    if (this.#handlers !== undefined) {
      throw this.#misuse("already-open", "is open already. Open each link once");
    }
    this.#handlers = handlers;
    this.listening = this.#radioOn;
    if (this.#radioOn) return;
    this.#soon(() => {
      if (!this.#radioOn) this.#handlers?.onStatus?.("down");
    });
  }

  send(to: Address, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    const carrier = this.#carrier;
    const { ledger } = carrier;
    ledger.offered.add(datagram.length);
    if (!this.listening) {
      ledger.gone.add(datagram.length);
      this.#soon(() => this.tell("gone", done));
      return;
    }
    if (datagram.length > this.mtuBytes || this.#outstanding.length >= this.outstandingMax) {
      ledger.refused.add(datagram.length);
      this.#soon(() => this.tell("refused", done));
      return;
    }
    const transmission = carrier.transmissions.take();
    transmission.begin(this, to, datagram, carrier.isBroadcast(to), done);
    this.#outstanding.push(transmission);
    this.#air.offer(transmission);
  }

  close(): void {
    if (this.closed) return;
    const { clock } = this.#carrier;
    this.closed = true;
    this.listening = false;
    this.#handlers = undefined;
    if (this.#radioTimer !== undefined) clock.clearTimer(this.#radioTimer);
    if (this.#timetableTimer !== undefined) clock.clearTimer(this.#timetableTimer);
    this.#carrier.remove(this);
    this.#giveUp();
  }

  // ---- LossyLink

  get statistics(): LinkStatistics {
    return { outcomes: { ...this.#outcomes }, received: { ...this.#received } };
  }

  setImpairments(
    impairments: Impairments,
    direction: "outgoing" | "incoming" | "both" = "both",
  ): void {
    checkChoice("direction", direction, ["outgoing", "incoming", "both"]);
    checkImpairments("impairments", impairments);
    if (direction !== "incoming") this.outgoing = impairments;
    if (direction !== "outgoing") this.incoming = impairments;
    this.version = this.#carrier.paths.nextVersion();
  }

  moveTo(position: Position): void {
    checkPosition("position", position);
    this.position = position;
    this.version = this.#carrier.paths.nextVersion();
  }

  setRadioChannel(radioChannel: number): void {
    checkInteger("radioChannel", radioChannel, 0, 65535);
    if (radioChannel === this.radioChannel) return;
    const cut = this.#take();
    this.radioChannel = radioChannel;
    this.version = this.#carrier.paths.nextVersion();
    this.#air = this.#carrier.airFor(radioChannel);
    this.#tellGone(cut, 0);
  }

  restartRadio(deafUs: number): void {
    checkUs("deafUs", deafUs);
    this.#switchRadioOff(this.#carrier.clock.nowUs() + deafUs);
  }

  // ---- for the medium

  /** What is on air, or goes on air next. */
  get head(): Transmission | undefined {
    return this.#outstanding[0];
  }

  /** The first in the queue is through. */
  advance(): void {
    this.#outstanding.shift();
  }

  tell(outcome: SendOutcome, done: (outcome: SendOutcome) => void): void {
    this.#outcomes[outcome] += 1;
    done(outcome);
  }

  receive(from: Address, datagram: Uint8Array, info: DatagramInfo): void {
    this.#received.datagrams++;
    this.#received.bytes += datagram.length;
    this.#handlers?.onDatagram(from, datagram, info);
  }

  /** The station of this address; mostly that of the last time. */
  neighbour(address: Address): Station | undefined {
    const last = this.#neighbour;
    if (last !== undefined && !last.closed && sameAddress(last.localAddress, address)) return last;
    const found = this.#carrier.station(addressKey(address));
    this.#neighbour = found;
    return found;
  }

  // ---- radio off and on

  #switchRadioOff(untilUs: number): void {
    if (this.closed) return;
    const { clock } = this.#carrier;
    const wasOn = this.#radioOn;
    if (wasOn || untilUs > this.#offUntilUs) {
      this.#offUntilUs = untilUs;
      if (this.#radioTimer !== undefined) clock.clearTimer(this.#radioTimer);
      this.#radioTimer = clock.setTimer(untilUs, () => this.#switchRadioOn());
    }
    this.#radioOn = false;
    this.listening = false;
    if (wasOn) this.#handlers?.onStatus?.("down");
    this.#giveUp();
  }

  #switchRadioOn(): void {
    this.#radioTimer = undefined;
    this.#radioOn = true;
    this.listening = this.#handlers !== undefined;
    this.#handlers?.onStatus?.("up");
  }

  /** Sets a timer for the next time at which the radio goes off; off at once if that is now. */
  #followTimetable(): void {
    const { clock } = this.#carrier;
    const interval = this.#radioOff.current(clock.nowUs());
    if (interval === undefined) return;
    const [fromUs, toUs] = interval;
    if (clock.nowUs() >= fromUs) {
      this.#timetableTimer = clock.setTimer(toUs, () => this.#followTimetable());
      this.#switchRadioOff(toUs);
    } else {
      this.#timetableTimer = clock.setTimer(fromUs, () => this.#followTimetable());
    }
  }

  // ---- giving up what is outstanding

  #giveUp(): void {
    this.#tellGone(this.#take(), 0);
  }

  /** Takes everything out of the queue: the air skips it from now on. */
  #take(): ((outcome: SendOutcome) => void)[] {
    const { ledger } = this.#carrier;
    const taken = this.#outstanding;
    this.#outstanding = [];
    return taken.map((transmission) => {
      ledger.gone.add(transmission.datagram.length);
      if (transmission.onAir) this.#carrier.truncate(transmission);
      return transmission.end();
    });
  }

  /** Tells the owners, also when one of them throws. */
  #tellGone(owners: readonly ((outcome: SendOutcome) => void)[], index: number): void {
    const done = owners[index];
    if (done === undefined) return;
    try {
      this.tell("gone", done);
    } finally {
      this.#tellGone(owners, index + 1);
    }
  }

  /** Not from inside the present call, but at this instant. */
  #soon(run: () => void): void {
    const { clock } = this.#carrier;
    clock.setTimer(clock.nowUs(), run);
  }

  #misuse(code: "closed" | "already-open", what: string): LossyLinkError {
    return new LossyLinkError(code, `The link ${formatAddress(this.localAddress)} ${what}.`);
  }
}
