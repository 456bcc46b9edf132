import {
  Endpoint,
  type EndpointOptions,
  FardelError,
  type Message,
  type Receipt,
  type SendOptions,
} from "@fardel/core";
import {
  type LossyLink,
  Medium,
  type MediumSettings,
  presets,
  Random,
  VirtualClock,
} from "@fardel/lossy-link";
import { BootClock, BootLink } from "../simulation/boot-link.js";

export type Side = "a" | "b";

/** A datagram that has come to its receiver, before anybody decided about it. */
export interface Taped {
  /** Place among all datagrams of the stage, from zero. */
  readonly index: number;
  readonly from: Side;
  readonly bytes: Uint8Array;
  readonly atUs: number;
}

/** What has become of one send, as far as it is known. */
export interface Sending {
  receipt?: Receipt;
  error?: FardelError;
  /** When its promise was settled, microseconds; -1 before. */
  endedUs: number;
}

/** How a stage is set. */
export interface StageOptions {
  readonly medium?: MediumSettings;
  readonly seed?: number;
  readonly a?: Partial<EndpointOptions>;
  readonly b?: Partial<EndpointOptions>;
}

interface Place {
  readonly radio: LossyLink;
  link: BootLink;
  clock: BootClock;
  boots: number;
}

const ADDRESSES = { a: Uint8Array.of(2, 0, 0, 0, 0, 10), b: Uint8Array.of(2, 0, 0, 0, 0, 11) };
const OTHER = { a: "b", b: "a" } as const;

/**
 * Two endpoints in virtual time, and somebody between them who sees each datagram on its way, may
 * hold it back, change it, or bring it once more.
 */
export class Stage {
  readonly clock = new VirtualClock();
  readonly medium: Medium;
  readonly tape: Taped[] = [];
  /** Whole messages that each side was given, in order, over all its incarnations. */
  readonly got: Record<Side, Message[]> = { a: [], b: [] };
  /** Decides what arrives instead of a datagram: itself, another one, or nothing. */
  passes: (datagram: Taped) => Uint8Array | undefined = ({ bytes }) => bytes;
  a!: Endpoint;
  b!: Endpoint;
  readonly #places: Record<Side, Place>;
  readonly #options: StageOptions;

  private constructor(options: StageOptions) {
    const { medium = presets.reference(), seed = 1 } = options;
    this.#options = options;
    this.medium = new Medium({ ...medium, clock: this.clock, seed });
    this.#places = { a: this.#placeFor("a"), b: this.#placeFor("b") };
  }

  static async open(options: StageOptions = {}): Promise<Stage> {
    const stage = new Stage(options);
    await stage.boot("a");
    await stage.boot("b");
    return stage;
  }

  /** Abandon the endpoint of this side, if there is one, and open a new one at its address. */
  async boot(side: Side, takesMessages = true): Promise<Endpoint> {
    const place = this.#places[side];
    place.link.close();
    place.clock.stop();
    const options = this.#options[side] ?? {};
    const { mtuBytes } = place.radio;
    place.link = new BootLink(place.radio, { mtuBytes, depth: options.linkDepth ?? 2 });
    place.clock = new BootClock(this.clock);
    const tokens = new Random(this.#options.seed ?? 1).stream(`${side} ${place.boots++}`);
    const endpoint = await Endpoint.open({
      link: place.link,
      clock: place.clock,
      random: () => tokens.uint32(),
      ...options,
    });
    if (takesMessages) endpoint.onMessage((message) => this.got[side].push(message));
    this[side] = endpoint;
    return endpoint;
  }

  addressOf(side: Side): Uint8Array {
    return ADDRESSES[side];
  }

  radio(side: Side): LossyLink {
    return this.#places[side].radio;
  }

  send(from: Side, bytes: Uint8Array, options: SendOptions = {}): Sending {
    const promise = this[from].peer(ADDRESSES[OTHER[from]]).send(bytes, options);
    return this.watch(promise, (sending, receipt) => {
      sending.receipt = receipt;
    });
  }

  /** Follow a promise of the library; what it rejects with must be one of the library's errors. */
  watch<T>(promise: Promise<T>, take: (sending: Sending, value: T) => void = () => {}): Sending {
    const sending: Sending = { endedUs: -1 };
    promise.then(
      (value) => {
        take(sending, value);
        sending.endedUs = this.clock.nowUs();
      },
      (error: unknown) => {
        if (!(error instanceof FardelError)) throw error;
        sending.error = error;
        sending.endedUs = this.clock.nowUs();
      },
    );
    this.clock.wakeWaiters();
    return sending;
  }

  /** Give a datagram to the endpoint of a side, as if it had just come in. */
  inject(to: Side, bytes: Uint8Array): void {
    this.#places[to].link.receive(ADDRESSES[OTHER[to]], bytes, {});
    this.clock.wakeWaiters();
  }

  /** Let time pass until all these have ended, at most this long. */
  async settle(sendings: readonly Sending[], withinS = 3600): Promise<void> {
    const untilUs = this.clock.nowUs() + withinS * 1e6;
    await this.clock.run({ untilUs, until: () => sendings.every(({ endedUs }) => endedUs >= 0) });
  }

  async pass(seconds: number): Promise<void> {
    await this.clock.run({ untilUs: this.clock.nowUs() + Math.round(seconds * 1e6) });
  }

  #placeFor(side: Side): Place {
    const radio = this.medium.attach({ address: ADDRESSES[side] });
    const clock = new BootClock(this.clock);
    const place = {
      radio,
      link: new BootLink(radio, { mtuBytes: radio.mtuBytes, depth: 1 }),
      clock,
      boots: 0,
    };
    radio.open({
      onDatagram: (from, datagram, info) => {
        const index = this.tape.length;
        const bytes = datagram.slice();
        const taped = { index, from: OTHER[side], bytes, atUs: this.clock.nowUs() };
        this.tape.push(taped);
        const passed = this.passes(taped);
        if (passed) place.link.receive(from, passed, info);
      },
      onStatus: (status) => place.link.tellStatus(status),
    });
    return place;
  }
}

/** Bytes without a pattern that the protocol could know. */
export function bytesOf(count: number, salt = 1): Uint8Array {
  const random = new Random(`bytes ${salt}`);
  return Uint8Array.from({ length: count }, () => random.integer(0, 255));
}
