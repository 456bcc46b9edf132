import type { Address, Clock } from "@fardel/core";
import type { KeyRing } from "../keys/key-ring.js";
import type { SharedKey } from "../keys/pair-key.js";
import { invalidOption, PairingError } from "../pairing-error.js";
import { claimSecret } from "./claim-code.js";
import { type InitiatorEvent, PairingInitiator } from "./initiator.js";
import { encodeName } from "./name.js";
import { MachineRunner } from "./runner.js";
import { failure, revokedMeanwhile } from "./sentences.js";
import {
  type ConfirmShortCode,
  listenForPairing,
  type PairingEndpoint,
  type PairingEnvironment,
  resolveEnvironment,
} from "./setting.js";
import { isScalar } from "./spake2.js";
import { underWayOn } from "./under-way.js";
import { PAIRING_WAYS, type PairingWay } from "./way.js";

/** How far a pairing has come; `waiting`: for the person at the board. */
export type PairStep = "offered" | "answered" | "waiting" | "agreed" | "confirmed";

/** How to pair. */
export interface PairOptions extends PairingEnvironment {
  readonly way: PairingWay;
  /** Where the key goes; the endpoint's `protection`. */
  readonly ring: KeyRing;
  /** What this side calls itself, at most 16 bytes of UTF-8. Default: nothing. */
  readonly name?: string;
  /** For `code`: the claim code, as typed. */
  readonly code?: string;
  /** For `code`: its secret instead, see {@link claimSecret}; for a virtual clock, which does not wait for it. */
  readonly claim?: Uint8Array;
  /** For `compare`. */
  readonly confirm?: ConfirmShortCode;
  /** Aborting it ends the pairing with `aborted`, unless the key is in use already. */
  readonly signal?: AbortSignal;
  readonly onStep?: (step: PairStep) => void;
}

/** What came of a pairing. */
export interface Paired {
  /** In the ring already. */
  readonly key: SharedKey;
  /** What the board calls itself: anybody's text, show it with care. */
  readonly name: string;
  /**
   * Whether the board has said that it uses the key. If not, it has the key all the same, and will use it when it
   * hears the first datagram under it.
   */
  readonly isConfirmed: boolean;
}

/**
 * Pair with the board at an address. The key is in the ring, and stored, before the board is told to use it; from then on
 * the endpoint speaks to this address in protected datagrams only.
 *
 * ```ts
 * const { name } = await pair(gateway, board.address, { way: "code", code: "7K3VD-Q0ZXA", ring });
 * ```
 * @throws {@link PairingError}
 */
export async function pair(
  endpoint: PairingEndpoint,
  address: Address,
  options: PairOptions,
): Promise<Paired> {
  check(address, options);
  const { way, signal } = options;
  const own = address.slice();
  const claim = way === "code" ? await claimOf(options) : undefined;
  if (signal?.aborted) throw failure("aborted", way, signal.reason);
  const underWay = underWayOn(endpoint);
  if (!underWay.enter(own)) {
    const sentence = "A pairing with this address is under way already. Wait for its end.";
    throw new PairingError("busy", sentence);
  }
  try {
    return await new InitiatorRun(endpoint, own, options, claim).outcome;
  } finally {
    underWay.leave(own);
  }
}

function check(
  address: Address,
  { way, code, claim, confirm, ring, name = "" }: PairOptions,
): void {
  if (!(address instanceof Uint8Array) || address.length < 1 || address.length > 255)
    throw invalidOption("address", "it is not a Uint8Array of 1 to 255 bytes");
  if (!PAIRING_WAYS.includes(way))
    throw invalidOption("way", `${String(way)} is not ${PAIRING_WAYS.join(", ")}`);
  encodeName(name);
  if (way === "code" && code === undefined && claim === undefined)
    throw invalidOption("code", "it is needed to pair in this way");
  if (claim && !isScalar(claim)) throw invalidOption("claim", "it is no claim secret");
  if (way === "compare" && !confirm)
    throw invalidOption("confirm", "somebody has to compare the short codes");
  if (way === "renew" && !ring.record(address)?.keys.length) throw failure("no-key", way);
}

async function claimOf({ claim, code = "" }: PairOptions): Promise<Uint8Array> {
  return claim ?? (await claimSecret(code));
}

/** One exchange, from its OFFER to its end. */
class InitiatorRun {
  readonly outcome: Promise<Paired>;
  readonly #options: PairOptions;
  readonly #clock: Clock;
  readonly #machine: PairingInitiator;
  readonly #runner: MachineRunner<InitiatorEvent>;
  readonly #over = new AbortController();
  #resolve: (paired: Paired) => void = () => {};
  #reject: (error: PairingError) => void = () => {};
  readonly #wasRevoked: boolean;
  #cause: unknown;

  constructor(
    endpoint: PairingEndpoint,
    address: Uint8Array,
    options: PairOptions,
    claim: Uint8Array | undefined,
  ) {
    const { way, ring, name = "", signal } = options;
    const { clock, random } = resolveEnvironment(options);
    this.#options = options;
    this.#clock = clock;
    this.outcome = new Promise((resolve, reject) => {
      this.#resolve = resolve;
      this.#reject = reject;
    });
    const sessionless = listenForPairing(endpoint, (from, body) => {
      this.#machine.handleBody(from, body, clock.nowUs());
      this.#runner.pump();
    });
    const record = ring.record(address);
    this.#wasRevoked = record?.isRevoked ?? false;
    const key = way === "renew" ? record?.keys[record.usedIndex] : undefined;
    const means = { address, way, name, random, ...(claim && { claim }), ...(key && { key }) };
    this.#machine = new PairingInitiator(means, clock.nowUs());
    this.#runner = new MachineRunner(
      this.#machine,
      sessionless,
      clock,
      (event) => this.#handle(event),
      (cause) => this.#end(failure("endpoint-closed", way, cause)),
    );
    const onAbort = () => {
      this.#cause = signal?.reason;
      this.#machine.cancel();
      this.#runner.pump();
    };
    signal?.addEventListener("abort", onAbort, { signal: this.#over.signal });
    this.#step("offered");
    this.#runner.pump();
  }

  #handle(event: InitiatorEvent): void {
    if (event.type === "answered") this.#step("answered");
    else if (event.type === "waited-for") this.#step("waiting");
    else if (event.type === "short-code-known") this.#ask(event.shortCode, event.name);
    else if (event.type === "key-agreed") void this.#store(event.key, event.name);
    else if (event.type === "paired") void this.#finish(event);
    else this.#end(failure(event.code, this.#options.way, this.#cause));
  }

  #ask(shortCode: string, name: string): void {
    const { confirm } = this.#options;
    const { address } = this.#machine;
    const answer = async () => confirm?.(shortCode, { address, name, signal: this.#over.signal });
    answer().then(
      (isSame) => {
        if (isSame) this.#machine.accept();
        else this.#machine.refuse();
        this.#runner.pump();
      },
      (cause: unknown) => {
        this.#cause = cause;
        this.#machine.refuse();
        this.#runner.pump();
      },
    );
    this.#clock.wakeWaiters?.();
  }

  /** In use here, and stored, before the board is told. */
  async #store(key: SharedKey, name: string): Promise<void> {
    const { ring } = this.#options;
    this.#clock.wakeWaiters?.();
    try {
      const { isRevoked = false } = ring.record(this.#machine.address) ?? {};
      if (isRevoked && !this.#wasRevoked) throw revokedMeanwhile();
      ring.setNewer(this.#machine.address, key, name);
      await ring.saved();
    } catch (cause) {
      this.#cause = cause;
      this.#machine.notStored();
      this.#runner.pump();
      return;
    }
    this.#step("agreed");
    this.#machine.stored(this.#clock.nowUs());
    this.#runner.pump();
  }

  async #finish(event: InitiatorEvent & { type: "paired" }): Promise<void> {
    const { key, name, isConfirmed } = event;
    const { ring, way } = this.#options;
    this.#close();
    try {
      if (isConfirmed) ring.settle(this.#machine.address, key);
      await ring.saved();
    } catch (cause) {
      this.#reject(failure("not-stored", way, cause));
      return;
    } finally {
      this.#clock.wakeWaiters?.();
    }
    if (isConfirmed) this.#step("confirmed");
    this.#resolve({ key, name, isConfirmed });
  }

  #end(error: PairingError): void {
    this.#close();
    const { cause } = error;
    // The ring says best what is wrong with it.
    this.#reject(cause instanceof PairingError && error.code === "not-stored" ? cause : error);
    this.#clock.wakeWaiters?.();
  }

  #close(): void {
    this.#over.abort();
    this.#runner.close();
  }

  #step(step: PairStep): void {
    try {
      this.#options.onStep?.(step);
    } catch (error) {
      // The caller's code must not break ours.
      queueMicrotask(() => {
        throw error;
      });
    }
  }
}
