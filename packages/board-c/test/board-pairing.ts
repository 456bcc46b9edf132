import type { Clock, TimerHandle } from "@fardel/core";
import { ADDRESS_BYTES, C, concatenated } from "./board-program.js";
import type { CProgram, Told } from "./support/c-program.js";
import { answerCiphers } from "./support/told-ciphers.js";

/** What `harness/pairing-harness.c` calls back for. */
const TOLD = {
  transmit: 1,
  random: 2,
  keep: 3,
  right: 4,
  wrongProofs: 5,
  show: 6,
  ended: 7,
  bytes: 8,
  kept: 9,
} as const;
/** Ways of pairing, as bits. */
export const WAY = { cable: 1, code: 2, compare: 4, renew: 8 } as const;
const HAS = { crypto: 1, claim: 2, cable: 4, show: 8 } as const;
/** Of the first byte of what a board takes: see pairing.h. */
export const TAKES = { plain: 2, protected: 4 } as const;
/** How exchanges end; pairing.h. */
export const REASON = {
  paired: 0,
  closed: 1,
  busy: 2,
  wayClosed: 3,
  wrongProof: 4,
  refused: 5,
  cancelled: 6,
  timeOver: 7,
  unknown: 8,
} as const;
const PAIR_KEY_BYTES = 32;
const BOARD_CLOCK_US = 2 ** 32 - 1_500_000;

/** What is on the board besides the C code. */
export interface BoardPairingOptions {
  /** `wasmProgram("pairing")` or a native one. */
  readonly program: CProgram;
  readonly clock: Clock;
  /** Uniform unsigned 32-bit numbers. */
  readonly random: () => number;
  readonly address: Uint8Array;
  /** Where a datagram reaches everybody. Default: six bytes of 255. */
  readonly everybody?: Uint8Array;
  /** Hands a datagram to the radio. @returns whether that took it */
  readonly transmit: (to: Uint8Array, datagram: Uint8Array) => boolean;
  readonly kind?: string;
  readonly name?: string;
  readonly mtuBytes?: number;
  readonly window?: number;
  readonly messageBytesMax?: number;
  readonly takes?: number;
  readonly hasCrypto?: boolean;
  readonly claim?: Uint8Array;
  readonly isCable?: boolean;
  /** Somebody is shown the short code, and says later by `accept`. */
  readonly show?: (shortCode: number) => void;
  /** A key was added to the record, by `keep`. */
  readonly onKeep?: (address: Uint8Array) => void;
  /** Whether keys, and counts of wrong proofs, can be stored. Default: yes. */
  readonly stores?: () => boolean;
}

/** Discovery and pairing of a board in C, with the clock of a test. */
export class BoardPairing {
  wrongProofs = 0;
  /** How exchanges ended, by {@link REASON}; `mode`: pairing mode. */
  readonly ends: (number | "mode")[] = [];
  readonly #options: BoardPairingOptions;
  readonly #number: number;
  #timer: TimerHandle | undefined;
  #told = new Uint8Array();

  /** @throws Error if pairing.h does not take it */
  constructor(options: BoardPairingOptions) {
    this.#options = options;
    const { mtuBytes = 250, window = 8, messageBytesMax = 0, takes = TAKES.plain } = options;
    const { claim, isCable, show, hasCrypto = true } = options;
    const everybody = options.everybody ?? new Uint8Array(ADDRESS_BYTES).fill(255);
    const has =
      (hasCrypto ? HAS.crypto : 0) +
      (claim ? HAS.claim : 0) +
      (isCable ? HAS.cable : 0) +
      (show ? HAS.show : 0) +
      takes * 16;
    const texts = [options.kind ?? "row-station", options.name ?? "row 4"].map((text) => {
      const bytes = new TextEncoder().encode(text);
      return Uint8Array.from([bytes.length, ...bytes]);
    });
    const input = concatenated(
      ...[options.address, everybody, claim ?? new Uint8Array(32), ...texts],
    );
    const ints = [has, mtuBytes, window, messageBytesMax, this.wrongProofs, this.#now()];
    this.#number = options.program.call(this.#listen, "pairing_open", ints, input);
    if (this.#number < 0) throw new Error(`pairing.h does not take it: ${this.#number}.`);
    this.pump();
  }

  get isInPairingMode(): boolean {
    return this.#call("pairing_is_open", []) === 1;
  }

  /** Starts anew, with what was stored. */
  restart(): void {
    this.#call("pairing_restart", [this.wrongProofs, this.#now()]);
    this.pump();
  }

  /** @returns whether it belonged to no session */
  handleDatagram(from: Uint8Array, datagram: Uint8Array): boolean {
    const bytes = concatenated(from, datagram);
    const isTaken = this.#call("pairing_datagram", [bytes.length, this.#now()], bytes) === 1;
    this.pump();
    return isTaken;
  }

  /** @returns the ways that are open; less than 0: none */
  start(ways: number, durationUs = 60_000_000): number {
    const result = this.#call("pairing_start", [ways, durationUs, this.#now()]);
    this.pump();
    return result;
  }

  stop(): void {
    this.#call("pairing_stop", [this.#now()]);
    this.pump();
  }

  announce(): void {
    this.#call("pairing_announce", [this.#now()]);
    this.pump();
  }

  accept(isSame: boolean): void {
    this.#call("pairing_accept", [isSame ? 1 : 0, this.#now()]);
    this.pump();
  }

  allowCode(): void {
    this.#call("pairing_allow_code", []);
  }

  /** A protected datagram was right under this key. */
  noteRight(address: Uint8Array, key: Uint8Array): void {
    this.#call("pairing_right", [this.#now()], concatenated(address, key));
    this.pump();
  }

  /** Keys that the board holds for an address, in hex, the one in use first; or `revoked`. */
  keysOf(address: Uint8Array): string[] | "revoked" {
    const count = this.#call("keys_of", [], address);
    if (count < 0) return "revoked";
    return Array.from({ length: count }, (_, at) =>
      Buffer.from(this.#told.subarray(at * PAIR_KEY_BYTES, (at + 1) * PAIR_KEY_BYTES)).toString(
        "hex",
      ),
    );
  }

  addKey(address: Uint8Array, key: Uint8Array): void {
    this.#call("keys_add", [], concatenated(address, key));
  }

  revoke(): void {
    this.#call("keys_revoke", []);
  }

  textOf(reason: number): string {
    this.#options.program.call(this.#listen, "pairing_text", [reason]);
    return new TextDecoder().decode(this.#told);
  }

  /** Does what is due now. */
  pump(): void {
    const { clock } = this.#options;
    const waitUs = this.#call("pairing_poll", [this.#now()]);
    clock.clearTimer(this.#timer);
    this.#timer = undefined;
    if (waitUs === C.never) return;
    this.#timer = clock.setTimer(clock.nowUs() + (waitUs >>> 0), () => this.pump());
  }

  #now(): number {
    return (this.#options.clock.nowUs() + BOARD_CLOCK_US) % 2 ** 32;
  }

  #call(name: string, ints: readonly number[], bytes?: Uint8Array): number {
    return this.#options.program.call(this.#listen, name, [this.#number, ...ints], bytes);
  }

  readonly #listen: Told = (what, value, told) => {
    const { transmit, random, show, stores = () => true, clock } = this.#options;
    switch (what) {
      case TOLD.transmit:
        return transmit(told.slice(0, ADDRESS_BYTES), told.slice(ADDRESS_BYTES)) ? 0 : -1;
      case TOLD.random:
        return random();
      case TOLD.keep:
        return stores() ? 0 : -1;
      case TOLD.kept:
        this.#options.onKeep?.(told.slice(0, ADDRESS_BYTES));
        return 0;
      case TOLD.wrongProofs:
        if (!stores()) return -1;
        this.wrongProofs = value;
        return 0;
      case TOLD.show:
        show?.(value);
        clock.wakeWaiters?.();
        return 0;
      case TOLD.ended:
        this.ends.push(told.length > 0 ? value : "mode");
        clock.wakeWaiters?.();
        return 0;
      case TOLD.bytes:
        this.#told = Uint8Array.from(told);
        return 0;
      default:
        return answerCiphers(what, value, told) ?? 0;
    }
  };
}
