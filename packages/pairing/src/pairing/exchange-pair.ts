import { Random, VirtualClock } from "@fardel/lossy-link";
import { KeyRing } from "../keys/key-ring.js";
import type { SharedKey } from "../keys/pair-key.js";
import type { RandomBytes } from "./agreement.js";
import { type InitiatorEvent, PairingInitiator } from "./initiator.js";
import { type OpenWay, PAIRING_MODE_US } from "./pairing-host.js";
import { PairingResponder } from "./responder.js";
import type { ResponderEvent } from "./responder-events.js";
import type { PairMachine, PairTransmit } from "./runner.js";
import type { PairingWay } from "./way.js";

/** For tests: where the two sides are. */
export const ADDRESS_A = Uint8Array.of(2, 0, 0, 0, 0, 0x0a);
export const ADDRESS_B = Uint8Array.of(2, 0, 0, 0, 0, 0x0b);

/** A claim secret, as good as any: what a code makes of it takes a tenth of a second. */
export const CLAIM = new Uint8Array(32).fill(7);

const DELAY_US = 2000;

/** One body on its way. */
export interface Flight {
  /** How many were said before it. */
  readonly index: number;
  readonly isFromA: boolean;
  readonly body: Uint8Array;
}

/** What becomes of a body: each copy that arrives, after how long, and as what. */
export interface Copy {
  readonly delayUs?: number;
  readonly body?: Uint8Array;
}

export interface ExchangePairOptions {
  readonly seed?: number;
  readonly claimA?: Uint8Array;
  readonly claimB?: Uint8Array;
  /** How long a store takes. */
  readonly storeUs?: number;
  /** What persons say, and after how long. */
  readonly personA?: Person;
  readonly personB?: Person;
}

export interface Person {
  readonly says: boolean | ((shortCode: string) => boolean);
  readonly afterUs: number;
}

const WILLING: Person = { says: true, afterUs: 3_000_000 };

/** For tests: an initiator and a responder with their key rings, and what lies between them, in virtual time. */
export class ExchangePair {
  readonly clock = new VirtualClock();
  readonly ringA = new KeyRing();
  readonly ringB = new KeyRing();
  /** All that was said. */
  readonly log: Flight[] = [];
  readonly eventsA: InitiatorEvent[] = [];
  readonly eventsB: ResponderEvent[] = [];
  readonly shortCodes: string[] = [];
  /** All random bytes, as they were drawn. */
  readonly draws: Uint8Array[] = [];
  initiator: PairingInitiator | undefined;
  responder: PairingResponder;
  wrongProofs = 0;
  /** What becomes of each body. */
  fate: (flight: Flight) => readonly Copy[] = () => [{}];
  readonly #options: ExchangePairOptions;
  readonly #random: Random;

  constructor(options: ExchangePairOptions = {}) {
    this.#options = options;
    this.#random = new Random(options.seed ?? 1);
    this.responder = this.#createResponder();
  }

  get random(): RandomBytes {
    return (bytes) => {
      const drawn = Uint8Array.from({ length: bytes }, () => this.#random.uint32() & 0xff);
      this.draws.push(drawn.slice());
      return drawn;
    };
  }

  openMode(ways: readonly OpenWay[], durationUs = PAIRING_MODE_US): void {
    this.responder.openMode({ ways, untilUs: this.clock.nowUs() + durationUs });
    this.pumpB();
  }

  begin(way: PairingWay): PairingInitiator {
    const claim = this.#options.claimA ?? CLAIM;
    const record = this.ringA.record(ADDRESS_B);
    const key = record?.keys[record.usedIndex];
    const means = { address: ADDRESS_B, way, name: "gateway", random: this.random, claim };
    const options = { ...means, ...(key && { key }) };
    this.initiator = new PairingInitiator(options, this.clock.nowUs());
    this.pumpA();
    return this.initiator;
  }

  /** Open pairing mode if the way needs it, and pair. */
  pair(way: PairingWay): void {
    if (way !== "renew") this.openMode([way]);
    this.begin(way);
    this.run();
  }

  /** The responder's side starts anew, with what it has stored. */
  restartB(): void {
    this.responder = this.#createResponder();
  }

  /** The initiator's side starts anew. */
  restartA(): void {
    this.initiator = undefined;
  }

  /** Until nothing more happens. */
  run(durationUs = 200_000_000): void {
    this.clock.runSync(this.clock.nowUs() + durationUs);
  }

  deliverToA(body: Uint8Array, from = ADDRESS_B): void {
    this.initiator?.handleBody(from, body, this.clock.nowUs());
    this.pumpA();
  }

  deliverToB(body: Uint8Array, from = ADDRESS_A): void {
    this.responder.handleBody(from, body, this.clock.nowUs());
    this.pumpB();
  }

  pumpA(): void {
    const { initiator } = this;
    if (!initiator) return;
    this.#pump(
      initiator,
      ({ body }) => this.#send(true, body),
      (event) => this.#handleA(initiator, event),
      () => this.initiator === initiator && this.pumpA(),
    );
  }

  pumpB(): void {
    const { responder } = this;
    this.#pump(
      responder,
      ({ to, body }) => to[5] === ADDRESS_A[5] && this.#send(false, body),
      (event) => this.#handleB(responder, event),
      () => this.responder === responder && this.pumpB(),
    );
  }

  /** How it ended for the initiator, if it did. */
  get endA(): string | undefined {
    const last = this.eventsA.at(-1);
    if (last?.type === "failed") return last.code;
    return last?.type === "paired" ? `paired${last.isConfirmed ? "" : ", unconfirmed"}` : undefined;
  }

  failuresB(): string[] {
    return this.eventsB.flatMap((event) => (event.type === "exchange-failed" ? [event.code] : []));
  }

  #createResponder(): PairingResponder {
    return new PairingResponder({
      name: "row 4",
      random: this.random,
      keysFor: (address) => this.ringB.record(address)?.keys ?? [],
      claim: this.#options.claimB ?? CLAIM,
      wrongProofs: this.wrongProofs,
    });
  }

  #pump<Event>(
    machine: PairMachine<Event>,
    send: (transmit: PairTransmit) => void,
    handle: (event: Event) => void,
    again: () => void,
  ): void {
    for (let more = true; more; ) {
      const event = machine.pollEvent();
      if (event) handle(event);
      const transmit = machine.pollTransmit();
      if (transmit) send(transmit);
      more = event !== undefined || transmit !== undefined;
    }
    const { timeoutUs } = machine;
    if (timeoutUs === Number.POSITIVE_INFINITY) return;
    this.clock.setTimer(timeoutUs, () => {
      if (machine.timeoutUs !== timeoutUs) return;
      machine.handleTimeout(this.clock.nowUs());
      again();
    });
  }

  #send(isFromA: boolean, body: Uint8Array): void {
    const flight = { index: this.log.length, isFromA, body };
    this.log.push(flight);
    for (const { delayUs = DELAY_US, body: arriving = body } of this.fate(flight)) {
      this.clock.setTimer(this.clock.nowUs() + delayUs, () => {
        if (isFromA) this.deliverToB(arriving);
        else this.deliverToA(arriving);
      });
    }
  }

  #handleA(initiator: PairingInitiator, event: InitiatorEvent): void {
    this.eventsA.push(event);
    if (event.type === "short-code-known") {
      this.shortCodes.push(event.shortCode);
      const { personA = WILLING } = this.#options;
      this.#later(personA.afterUs, () => {
        if (isYes(personA, event.shortCode)) initiator.accept();
        else initiator.refuse();
      });
    } else if (event.type === "key-agreed") {
      this.ringA.setNewer(ADDRESS_B, event.key, event.name);
      this.#later(this.#options.storeUs ?? 0, () => initiator.stored(this.clock.nowUs()));
    } else if (event.type === "paired" && event.isConfirmed)
      this.ringA.settle(ADDRESS_B, event.key);
  }

  #handleB(responder: PairingResponder, event: ResponderEvent): void {
    this.eventsB.push(event);
    const { storeUs = 0, personB = WILLING } = this.#options;
    const stored = (exchange: object) =>
      this.#later(storeUs, () => responder.stored(exchange, this.clock.nowUs()));
    if (event.type === "short-code-known") {
      this.shortCodes.push(event.shortCode);
      const { exchange } = event;
      this.#later(personB.afterUs, () => {
        if (isYes(personB, event.shortCode)) responder.accept(exchange, this.clock.nowUs());
        else responder.refuse(exchange);
      });
    } else if (event.type === "guess-counted") {
      this.wrongProofs = event.wrongProofs;
      stored(event.exchange);
    } else if (event.type === "guesses-forgiven") this.wrongProofs = 0;
    else if (event.type === "key-agreed") {
      if (event.proven) this.ringB.settle(event.address, event.proven);
      this.ringB.setPending(event.address, event.key, event.name);
      stored(event.exchange);
    } else if (event.type === "key-kept") {
      this.ringB.settle(event.address, event.key);
      stored(event.exchange);
    }
  }

  #later(delayUs: number, run: () => void): void {
    this.clock.setTimer(this.clock.nowUs() + delayUs, () => {
      run();
      this.pumpA();
      this.pumpB();
    });
  }
}

function isYes({ says }: Person, shortCode: string): boolean {
  return typeof says === "function" ? says(shortCode) : says;
}

/** What the keys of a ring for an address are, as text, the one in use first. */
export function keysIn(ring: KeyRing, address: Uint8Array): string[] {
  const { keys = [], usedIndex = 0 } = ring.record(address) ?? {};
  const used = keys[usedIndex];
  const others = keys.filter((key) => key !== used);
  return [used, ...others].flatMap((key) => (key ? [textOf(key)] : []));
}

function textOf(key: SharedKey): string {
  return Array.from(key.exportSecret(), (byte) => byte.toString(16).padStart(2, "0")).join("");
}

/**
 * Why the two sides could not talk now, whoever opens a session; nothing if they could. PROTOCOL.md, section 16.3.
 * Where there was no key before, a responder may have a pending one that came to nothing: told apart.
 */
export function whyNoTalk({ ringA, ringB }: ExchangePair): string | undefined {
  const a = keysIn(ringA, ADDRESS_B);
  const b = keysIn(ringB, ADDRESS_A);
  if (a.length === 0) return b.length === 0 ? undefined : "pair again";
  if (b.length === 0) return "A uses a key, B has none";
  if (!b.includes(a[0] ?? "")) return "A uses a key that B does not have";
  if (!a.includes(b[0] ?? "")) return "B uses a key that A does not have";
  return undefined;
}
