import { type DatagramInfo, Endpoint, type Link } from "@fardel/core";
import {
  type LossyLink,
  Medium,
  type MediumSettings,
  presets,
  Random,
  VirtualClock,
} from "@fardel/lossy-link";
import { Accounts } from "./accounts.js";
import type { Attack, Shot, Vantage } from "./attack.js";
import { Attacker } from "./attacker.js";
import { bytesOf } from "./forge.js";
import { answerTo, GoodTraffic } from "./good-traffic.js";
import { Limits } from "./limits.js";
import { Overheard } from "./overheard.js";
import { ATTACKER, GOOD, IDLE, isOurs, VICTIM } from "./stations.js";
import { VictimRadio } from "./victim-radio.js";
import type { WorkMeter } from "./work-meter.js";

/** More than the time after which everything half-done is given up (twice `unreachableUs`). */
const QUIET_S = 130;
const ROUND_S_MAX = 3600;

/** How an arena is set. */
export interface ArenaOptions {
  readonly seed?: number;
  readonly medium?: MediumSettings;
  /** Datagrams that the attacker has in its radio's queue at once; 0: it needs no air at all. Default 4, as many as it takes. */
  readonly attackDepth?: number;
  /** Counts the endpoint's work for each datagram of the attacker. */
  readonly meter?: WorkMeter;
  /** Go on when a limit is passed or too much is answered, for figures; default false. */
  readonly isLenient?: boolean;
}

/** A round of good traffic. */
export interface Round {
  readonly us: number;
  /** Airtime in it of the attacker's datagrams and of what they were answered, microseconds. */
  readonly hostileAirUs: number;
}

/** What an attack came to. */
export interface Outcome {
  readonly shots: number;
  /** The longest round while attacked. */
  readonly worstRound: Round;
  /** The longest of three rounds before the attack, microseconds. */
  readonly roundUs: number;
  readonly rounds: number;
  /** Good messages that failed, where that is allowed. */
  readonly failures: number;
  readonly accounts: Accounts;
  readonly limits: Limits;
}

/**
 * A victim with two good peers, one that talks and one that is silent, and an attacker in range of all,
 * on one air, in virtual time. Whatever no attack may bring about is thrown by the method during which it happened.
 */
export class Arena {
  readonly clock = new VirtualClock();
  readonly accounts = new Accounts();
  readonly overheard = new Overheard();
  readonly traffic = new GoodTraffic();
  victim!: Endpoint;
  good!: Endpoint;
  idle!: Endpoint;
  limits!: Limits;
  readonly radio: VictimRadio;
  readonly #attacker: Attacker;
  shots = 0;
  /** Streams that the victim's application found when it looked for them, after the attack. */
  streams = 0;
  readonly #random: Random;
  readonly #radios: Record<"good" | "idle", LossyLink>;
  readonly #failures: unknown[] = [];
  #boots = 0;

  private constructor(
    readonly attack: Attack,
    readonly options: ArenaOptions,
  ) {
    const { seed = 1, medium = presets.reference(), attackDepth = 4 } = options;
    this.#random = new Random(`${seed} ${attack.name}`);
    const air = new Medium({ ...medium, clock: this.clock, seed });
    this.#radios = { good: air.attach({ address: GOOD }), idle: air.attach({ address: IDLE }) };
    this.radio = new VictimRadio(air.attach({ address: VICTIM }), this.accounts, this.overheard);
    this.#attacker = new Attacker(
      air.attach({ address: ATTACKER }),
      this.clock,
      attackDepth,
      (from, datagram, info) => this.#hearHostile(from, datagram, info),
    );
    this.radio.onHostile = (datagram, info) =>
      this.#hearHostile(this.#attacker.takeSource(), datagram, info);
    this.radio.onUnbalanced = (error) => {
      if (!options.isLenient) this.#fail(error);
    };
    this.overheard.isListening = attack.knows === "eavesdropper";
  }

  static async open(attack: Attack, options: ArenaOptions = {}): Promise<Arena> {
    const arena = new Arena(attack, options);
    await arena.boot();
    arena.good = await arena.#open("good", arena.#radios.good);
    arena.idle = await arena.#open("idle", arena.#radios.idle);
    arena.#serve(arena.good, GOOD);
    arena.#serve(arena.idle, IDLE);
    return arena;
  }

  /** Start the victim, anew if it runs: then all that it knew is gone, and nobody is told. */
  async boot(): Promise<void> {
    const { attack } = this;
    const before = this.victim;
    const link = this.radio.boot();
    await before?.close();
    this.victim = await this.#open(`victim ${this.#boots++}`, link, attack.limits);
    this.limits = new Limits(this.victim, attack.limits, this.options.isLenient);
    this.#serve(this.victim, VICTIM, attack.repliesToAll ?? true);
  }

  #open(name: string, link: Link, limits: Attack["limits"] = {}): Promise<Endpoint> {
    const numbers = this.#random.stream(name);
    const random = () => numbers.uint32();
    return Endpoint.open({ link, clock: this.clock, random, ...limits });
  }

  /** Rounds of good traffic alone, then under attack, then alone again after a long silence. */
  async run(datagrams = this.attack.datagrams): Promise<Outcome> {
    await this.round("idle");
    await this.round();
    let roundUs = 0;
    for (let i = 0; i < 3; i++) roundUs = Math.max(roundUs, (await this.round()).us);
    this.traffic.mayFail = this.attack.harms === "sessions";
    const isOver = this.begin(datagrams);
    let worstRound: Round = { us: 0, hostileAirUs: 0 };
    let rounds = 0;
    do {
      const round = await this.round();
      rounds++;
      if (round.us > worstRound.us) worstRound = round;
    } while (!isOver());
    await this.rest();
    const { shots, accounts, limits, traffic } = this;
    const { failures } = traffic;
    return { shots, worstRound, roundUs, rounds, failures, accounts, limits };
  }

  /** Let the attack begin, or these shots. @returns whether it is over */
  begin(
    datagrams: number,
    shots: Iterator<Shot> = this.attack.shots(this.vantage()),
  ): () => boolean {
    let isOver = false;
    this.#attacker.fire(shots, datagrams, () => {
      isOver = true;
      this.clock.wakeWaiters();
    });
    return () => isOver;
  }

  /** The attack is over: long enough for everything half-done to be given up, then all must be well. */
  async rest(): Promise<void> {
    await this.pass(QUIET_S);
    this.limits.checkAll();
    this.#follow(async () => {
      for await (const stream of this.victim.streams()) {
        this.streams++;
        stream.cancel();
      }
    });
    // Who lost its session by forgery may need one round to find out.
    await this.round();
    this.traffic.mayFail = false;
    await this.round();
    await this.round("idle");
    await this.pass(QUIET_S);
  }

  /** One round of good traffic. @throws Error - whatever harmed it */
  async round(who: "good" | "idle" = "good"): Promise<Round> {
    const peer =
      who === "good"
        ? { endpoint: this.good, address: GOOD }
        : { endpoint: this.idle, address: IDLE };
    const startUs = this.clock.nowUs();
    const startAirUs = this.#hostileAirUs;
    let isOver = false;
    this.traffic.round({ endpoint: this.victim, address: VICTIM }, peer).then(
      () => {
        isOver = true;
        this.clock.wakeWaiters();
      },
      (error) => this.#fail(error),
    );
    await this.until(() => isOver, ROUND_S_MAX);
    if (!isOver) throw new Error(`A round of good traffic was not over after ${ROUND_S_MAX} s.`);
    this.traffic.checkRound();
    return {
      us: this.clock.nowUs() - startUs,
      hostileAirUs: this.#hostileAirUs - startAirUs,
    };
  }

  get #hostileAirUs(): number {
    return this.#attacker.airUs + this.radio.airUs;
  }

  /** What the victim says of the peer that was silent all the time. */
  get idleReport() {
    return this.victim.peer(IDLE).report();
  }

  /** Forget what is kept for checks, so that it is not taken for the victim's memory. */
  forgetRecords(): void {
    this.accounts.keepOnly(this.victim.reports().map(({ address }) => address));
  }

  async pass(seconds: number): Promise<void> {
    await this.until(() => false, seconds);
  }

  /** Run until this holds, or so much time has passed. @throws Error - whatever failed meanwhile */
  async until(holds: () => boolean, withinS: number): Promise<void> {
    const untilUs = this.clock.nowUs() + Math.round(withinS * 1e6);
    await this.clock.run({ untilUs, until: () => holds() || this.#failures.length > 0 });
    if (this.#failures.length > 0) throw this.#failures[0];
  }

  #fail(error: unknown): void {
    this.#failures.push(error);
    this.clock.wakeWaiters();
  }

  #hearHostile(from: Uint8Array, datagram: Uint8Array, info: DatagramInfo): void {
    this.shots++;
    // What comes in the name of a good peer earns its answers from that peer's own account.
    if (!isOurs(from)) this.accounts.noteIn(from, datagram);
    const { meter } = this.options;
    const give = () => this.radio.give("hostile", from, datagram, info);
    if (meter) meter.measure(datagram.length, give);
    else give();
    this.limits.check();
    if (this.shots % 64 === 0) this.limits.checkAll();
  }

  vantage(): Vantage {
    return {
      random: this.#random.stream("attacker"),
      mtuBytes: this.#attacker.radio.mtuBytes,
      goodPeer: GOOD,
      overheard: this.overheard,
      receiveAt: (address) => this.radio.receiveAt(address),
      lure: (address, bytes) => {
        const sending = this.victim.peer(address).send(bytesOf(bytes), { deadlineMs: 20_000 });
        sending.catch(() => {});
      },
    };
  }

  /** An application that reads everything at once, and answers requests. */
  #serve(endpoint: Endpoint, address: Uint8Array, repliesToAll = true): void {
    this.#follow(async () => {
      for await (const { peer, way, bytes } of endpoint.messages())
        if (isOurs(peer.address)) this.traffic.take(address, peer.address, way, bytes);
    });
    this.#follow(async () => {
      for await (const { peer, bytes, reply } of endpoint.requests())
        if (isOurs(peer.address) || repliesToAll) reply(answerTo(bytes)).catch(() => {});
    });
  }

  #follow(work: () => Promise<void>): void {
    work().catch((error) => this.#fail(error));
  }
}
