import type { Address, Clock, Link, LinkHandlers, SendOutcome, TimerHandle } from "@fardel/core";
import type { CapturedDatagram, CaptureHead } from "../captured.js";
import { CaptureError } from "../errors.js";
import { planReplay, type ReplayGap, type ReplayStep } from "./plan.js";

/** How a recording is played. */
export interface ReplayOptions {
  /** The endpoint's clock. */
  readonly clock: Clock;
  /** How many times as fast as it was; more than 0. Default 1. */
  readonly speed?: number;
  /**
   * Whether the endpoint has the pair keys of the peer at an address: protected sessions that peers
   * opened can be played with them. Default: it has none.
   */
  readonly hasKeys?: (address: Address) => boolean;
  /**
   * `false`: nothing is put in that was never on the air. For whoever only looks; an endpoint takes
   * less then. Default `true`.
   */
  readonly hasStandIns?: boolean;
  /** How many datagrams that the endpoint sends are kept in {@link ReplayLink.sent}. Default 10,000. */
  readonly sentMax?: number;
}

/** Datagrams that are handed over in one go when the clock is late, so that others get their turn. */
const AT_ONCE_MAX = 32;
const OUTSTANDING_MAX = 8;
const SENT_MAX = 10_000;

/**
 * Plays a recording back into an endpoint: what was received arrives at its recorded times, and what
 * the endpoint sends goes nowhere. Given {@link ReplayLink.random}, a fresh endpoint delivers the
 * messages that the recorded side received, byte for byte.
 *
 * ```ts
 * const link = new ReplayLink(readCapture(bytes), { clock });
 * const endpoint = await Endpoint.open({ link, clock, random: link.random });
 * endpoint.onMessage(({ bytes }) => console.log(bytes));
 * await link.finished;
 * ```
 * Take messages at once: nobody is there to send again what finds no room. What cannot be played is
 * told in {@link ReplayLink.gaps}.
 */
export class ReplayLink implements Link {
  readonly mtuBytes: number;
  readonly outstandingMax = OUTSTANDING_MAX;
  declare readonly localAddress?: Address;
  /** What the endpoint cannot make anything of, known before it begins. */
  readonly gaps: readonly ReplayGap[];
  /** Resolves when the last datagram has been handed over, or the link is closed. */
  readonly finished: Promise<void>;
  readonly #clock: Clock;
  readonly #speed: number;
  readonly #sentMax: number;
  readonly #steps: readonly ReplayStep[];
  readonly #sent: CapturedDatagram[] = [];
  readonly #outstanding = new Set<(outcome: SendOutcome) => void>();
  #next = 0;
  #startUs = 0;
  #handlers: LinkHandlers | undefined;
  #timer: TimerHandle;
  #draws: readonly number[] = [];
  #drawn = 0;
  #isOpen = false;
  #finish: () => void = () => {};
  #noise = 0x2545_f491;

  /** @throws {@link CaptureError} `invalid-capture` if the speed is none */
  constructor(
    capture: { readonly head: CaptureHead; readonly datagrams: readonly CapturedDatagram[] },
    options: ReplayOptions,
  ) {
    const { clock, speed = 1, hasKeys = () => false } = options;
    const { hasStandIns = true, sentMax = SENT_MAX } = options;
    if (!(speed > 0 && speed < Number.POSITIVE_INFINITY)) {
      throw new CaptureError("invalid-capture", `speed must be more than 0; it is ${speed}.`);
    }
    const { mtuBytes, localAddress } = capture.head;
    this.mtuBytes = mtuBytes;
    if (localAddress) this.localAddress = localAddress;
    const { steps, gaps } = planReplay(capture.datagrams, hasKeys);
    this.#steps = hasStandIns ? steps : steps.filter(({ isStandIn }) => !isStandIn);
    this.gaps = gaps;
    this.#clock = clock;
    this.#speed = speed;
    this.#sentMax = sentMax;
    this.finished = new Promise((resolve) => {
      this.#finish = resolve;
    });
  }

  /** Datagrams that are still to come. */
  get remaining(): number {
    return this.#steps.length - this.#next;
  }

  /** What the endpoint sent, for comparison; the first ones, as many as are kept. */
  get sent(): readonly CapturedDatagram[] {
    return this.#sent;
  }

  /**
   * For the endpoint's option of this name: the tokens that the recorded side drew, each when the
   * datagram arrives that made it draw; else numbers without meaning.
   */
  readonly random = (): number => {
    const drawn = this.#draws[this.#drawn++];
    if (drawn !== undefined) return drawn;
    // Xorshift, 32 bits: G. Marsaglia, "Xorshift RNGs", 2003, from memory.
    this.#noise ^= this.#noise << 13;
    this.#noise ^= this.#noise >>> 17;
    this.#noise ^= this.#noise << 5;
    return this.#noise >>> 0;
  };

  open(handlers: LinkHandlers): void {
    this.#handlers = handlers;
    this.#isOpen = true;
    this.#startUs = this.#clock.nowUs();
    this.#arm();
  }

  send(to: Address, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    const outcome = !this.#isOpen
      ? "gone"
      : datagram.length > this.mtuBytes || this.#outstanding.size >= this.outstandingMax
        ? "refused"
        : "sent";
    const nowUs = this.#clock.nowUs();
    if (outcome === "sent") {
      this.#outstanding.add(done);
      if (this.#sent.length < this.#sentMax) {
        const atUs = nowUs - this.#startUs;
        const bytes = datagram.slice();
        this.#sent.push({ atUs, direction: "sent", to: to.slice(), bytes, outcome });
      }
    }
    this.#clock.setTimer(nowUs, () => {
      // Closing has told the others already.
      if (outcome !== "sent" || this.#outstanding.delete(done)) done(outcome);
    });
  }

  close(): void {
    if (!this.#isOpen) return;
    this.#isOpen = false;
    this.#clock.clearTimer(this.#timer);
    const outstanding = [...this.#outstanding];
    this.#outstanding.clear();
    for (const done of outstanding) this.#clock.setTimer(this.#clock.nowUs(), () => done("gone"));
    this.#finish();
  }

  #dueUs(step: ReplayStep): number {
    return this.#startUs + Math.round(step.atUs / this.#speed);
  }

  #arm(): void {
    const step = this.#steps[this.#next];
    if (step) this.#timer = this.#clock.setTimer(this.#dueUs(step), () => this.#play());
    else {
      this.#finish();
      this.#clock.wakeWaiters?.();
    }
  }

  /** A virtual clock is never late, and sees to what waits between two datagrams. */
  #play(): void {
    const most = this.#clock.wakeWaiters ? 1 : AT_ONCE_MAX;
    for (let count = 0; count < most; count++) {
      const step = this.#steps[this.#next];
      if (!step || !this.#isOpen || this.#dueUs(step) > this.#clock.nowUs()) break;
      this.#next++;
      this.#draws = step.draws;
      this.#drawn = 0;
      this.#handlers?.onDatagram(step.from, step.bytes, step.info);
      this.#draws = [];
    }
    if (this.#isOpen) this.#arm();
  }
}
