import type { Address, Clock } from "@fardel/core";
import type { KeyRing } from "../keys/key-ring.js";
import type { SharedKey } from "../keys/pair-key.js";
import { invalidOption, PairingError } from "../pairing-error.js";
import { SILENCE_US } from "./initiator.js";
import { PairingResponder, WRONG_PROOFS_MAX } from "./responder.js";
import type { PairingModeEnd, ResponderEvent } from "./responder-events.js";
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
import { type HostState, type UnderWay, underWayOn } from "./under-way.js";
import { PAIRING_WAYS, type PairingWay } from "./way.js";

/** Ways that pairing mode can open; `renew` needs none. */
export type OpenWay = Exclude<PairingWay, "renew">;

/** How long pairing mode stays open, microseconds. */
export const PAIRING_MODE_US = 60_000_000;
const PAIRING_MODE_US_MAX = 3_600_000_000;

/** What the side that is asked to pair needs. */
export interface PairingHostOptions extends PairingEnvironment {
  /** Where keys go; the endpoint's `protection`. */
  readonly ring: KeyRing;
  /** What this side calls itself, at most 16 bytes of UTF-8. Default: nothing. */
  readonly name?: string;
  /** For `code`: the secret of the claim code, see {@link claimSecret}. */
  readonly claim?: Uint8Array;
  /** Wrong claim codes in a row before this start, as `onWrongProofs` told. Default 0. */
  readonly wrongProofs?: number;
  /**
   * Keep this count, over restarts too: no more claim codes are taken from {@link WRONG_PROOFS_MAX} on. Whoever
   * guesses is answered only when the promise resolves.
   */
  readonly onWrongProofs?: (count: number) => void | Promise<void>;
  /** A key was made, also by a renewal. */
  readonly onPaired?: (paired: PairedWith) => void;
}

/** What pairing mode allows. */
export interface PairingModeSettings {
  /** Ways that are open. `cable` only if the link is a cable: everything is said in plain. */
  readonly ways: readonly OpenWay[];
  /** Microseconds, up to an hour. Default: {@link PAIRING_MODE_US}. */
  readonly durationUs?: number;
  /** For `compare`. */
  readonly confirm?: ConfirmShortCode;
  /** Aborting it closes pairing mode. */
  readonly signal?: AbortSignal;
  /** An exchange came to nothing; pairing mode stays open. */
  readonly onFailed?: (error: PairingError, address: Address) => void;
}

/** Who was paired with. */
export interface PairedWith {
  readonly address: Uint8Array;
  readonly way: PairingWay;
  /** In the ring already. */
  readonly key: SharedKey;
  /** What the other side calls itself: anybody's text, show it with care. */
  readonly name: string;
}

interface OpenMode {
  readonly settings: PairingModeSettings;
  readonly resolve: (paired: PairedWith) => void;
  readonly reject: (error: PairingError) => void;
  readonly over: AbortController;
}

/**
 * The side of an endpoint that is asked to pair: answers renewals as long as it lives, and other pairings while
 * pairing mode is open. One for each endpoint.
 */
export class PairingHost {
  readonly #options: PairingHostOptions;
  readonly #clock: Clock;
  readonly #machine: PairingResponder;
  readonly #runner: MachineRunner<ResponderEvent>;
  readonly #underWay: UnderWay;
  readonly #state: HostState = this.#createState();
  #isLeaving = false;
  #mode: OpenMode | undefined;
  /** The pairing that pairing mode was open for. */
  #made: PairedWith | undefined;
  /** Aborted when nobody needs to be asked any more. */
  #asking: AbortController | undefined;
  /** Whether the address had been revoked before the exchange began. */
  #wasRevoked = false;
  #failureCause: unknown;
  #closeCause: unknown;

  /** @throws {@link PairingError} `invalid-option`, `mtu-too-small` */
  constructor(endpoint: PairingEndpoint, options: PairingHostOptions) {
    const { ring, claim, wrongProofs = 0, name = "" } = options;
    if (claim && !isScalar(claim)) throw invalidOption("claim", "it is no claim secret");
    if (!Number.isSafeInteger(wrongProofs) || wrongProofs < 0)
      throw invalidOption("wrongProofs", `${wrongProofs} is not a whole number from 0`);
    this.#underWay = underWayOn(endpoint);
    if (this.#underWay.host && !this.#underWay.host.retire())
      throw invalidOption("endpoint", "it has a pairing host already: use that one");
    const { clock, random } = resolveEnvironment(options);
    this.#options = options;
    this.#clock = clock;
    this.#machine = new PairingResponder({
      name,
      random,
      wrongProofs,
      ...(claim && { claim: claim.slice() }),
      keysFor: (address) => ring.record(address)?.keys ?? [],
      mayBegin: (address) => !this.#underWay.isInitiating(address),
    });
    const sessionless = listenForPairing(endpoint, (from, body) => {
      this.#machine.handleBody(from, body, clock.nowUs());
      this.#runner.pump();
    });
    this.#runner = new MachineRunner(
      this.#machine,
      sessionless,
      clock,
      (event) => this.#handle(event),
      (cause) => this.#handleClosed(cause),
    );
    this.#underWay.host = this.#state;
  }

  get isInPairingMode(): boolean {
    return this.#machine.isInPairingMode;
  }

  /** Wrong claim codes in a row. */
  get wrongProofs(): number {
    return this.#machine.wrongProofs;
  }

  /**
   * Take one pairing.
   * @returns with whom it was made
   * @throws {@link PairingError} `time-over` if nobody came, `aborted`, `code-locked`, `endpoint-closed`, `invalid-option`
   */
  async openMode(settings: PairingModeSettings): Promise<PairedWith> {
    const { ways, durationUs = PAIRING_MODE_US, signal } = settings;
    this.#check(settings, durationUs);
    if (signal?.aborted) throw failure("aborted", "code", signal.reason);
    const over = new AbortController();
    const outcome = new Promise<PairedWith>((resolve, reject) => {
      this.#mode = { settings, resolve, reject, over };
    });
    signal?.addEventListener("abort", () => this.closeMode(signal.reason), { signal: over.signal });
    this.#machine.openMode({ ways: [...ways], untilUs: this.#clock.nowUs() + durationUs });
    this.#runner.pump();
    return outcome;
  }

  /** Take no pairing any more. @param cause - goes into the error of `openMode` */
  closeMode(cause?: unknown): void {
    this.#closeCause = cause;
    this.#machine.closeMode();
    this.#runner.pump();
  }

  /** Take claim codes again after too many wrong ones. */
  forgiveWrongProofs(): void {
    this.#machine.forgiveWrongProofs();
    void this.#keepCount(0);
  }

  /** Answer nothing any more, from now on. */
  close(): void {
    this.closeMode();
    this.#asking?.abort();
    this.#runner.close();
    if (this.#underWay.host === this.#state) this.#underWay.host = undefined;
  }

  /** Close when nothing can be asked about the last exchange any more: at most ten seconds, and longer only if an exchange is under way. */
  closeWhenIdle(): void {
    this.#isLeaving = true;
    const nowUs = this.#clock.nowUs();
    if (this.#machine.isBusy(nowUs))
      this.#clock.setTimer(nowUs + SILENCE_US, () => this.closeWhenIdle());
    else this.close();
  }

  #createState(): HostState {
    const partnerOf = () => this.#machine.partner;
    return {
      get partner() {
        return partnerOf();
      },
      retire: () => {
        const mayGo = this.#isLeaving && !this.#machine.partner;
        if (mayGo) this.close();
        return mayGo;
      },
    };
  }

  #check({ ways, confirm }: PairingModeSettings, durationUs: number): void {
    if (this.#mode) throw invalidOption("mode", "pairing mode is open already");
    const open = PAIRING_WAYS.filter((way) => way !== "renew");
    const odd = ways.find((way) => !open.includes(way));
    if (ways.length === 0 || odd !== undefined)
      throw invalidOption("ways", `they are not some of ${open.join(", ")}`);
    if (!(durationUs > 0 && durationUs <= PAIRING_MODE_US_MAX) || !Number.isInteger(durationUs))
      throw invalidOption("durationUs", `${durationUs} is not from 1 to ${PAIRING_MODE_US_MAX}`);
    if (ways.includes("compare") && !confirm)
      throw invalidOption("confirm", "somebody has to compare the short codes");
    if (ways.includes("code") && !this.#options.claim)
      throw invalidOption("claim", "it is needed for pairing by claim code");
    if (ways.every((way) => way === "code") && this.wrongProofs >= WRONG_PROOFS_MAX)
      throw failure("code-locked", "code");
  }

  #handle(event: ResponderEvent): void {
    const { type } = event;
    if (type === "exchange-begun") this.#noteBegun(event.address);
    else if (type === "guess-counted") void this.#count(event);
    else if (type === "guesses-forgiven") void this.#keepCount(0);
    else if (type === "short-code-known") this.#ask(event);
    else if (type === "key-agreed") void this.#storePending(event);
    else if (type === "key-kept") void this.#storeUsed(event);
    else if (type === "paired") this.#notePaired(event);
    else if (type === "exchange-failed") this.#noteFailed(event);
    else if (type === "mode-ended") this.#endMode(event.why);
  }

  #noteBegun(address: Uint8Array): void {
    this.#wasRevoked = this.#options.ring.record(address)?.isRevoked ?? false;
    this.#failureCause = undefined;
  }

  async #count({ exchange, wrongProofs }: ResponderEvent & { type: "guess-counted" }) {
    await this.#storing(exchange, () => this.#options.onWrongProofs?.(wrongProofs));
  }

  async #keepCount(count: number): Promise<void> {
    try {
      await this.#options.onWrongProofs?.(count);
    } catch {
      // The count that is stored is too high then: the safe side, and told at the next guess.
    }
  }

  /** Understood, and stored, before the initiator can use it. */
  async #storePending(event: ResponderEvent & { type: "key-agreed" }): Promise<void> {
    const { exchange, address, key, name, proven } = event;
    const { ring } = this.#options;
    await this.#storing(exchange, () => {
      const { isRevoked = false } = ring.record(address) ?? {};
      if (isRevoked && !this.#wasRevoked) throw revokedMeanwhile();
      if (proven) ring.settle(address, proven);
      ring.setPending(address, key, name);
      return ring.saved();
    });
  }

  async #storeUsed({ exchange, address, key }: ResponderEvent & { type: "key-kept" }) {
    const { ring } = this.#options;
    await this.#storing(exchange, () => {
      ring.settle(address, key);
      return ring.saved();
    });
  }

  async #storing(exchange: object, store: () => void | Promise<void>): Promise<void> {
    this.#clock.wakeWaiters?.();
    try {
      await store();
      this.#machine.stored(exchange, this.#clock.nowUs());
    } catch (cause) {
      this.#failureCause = cause;
      this.#machine.notStored(exchange);
    }
    this.#runner.pump();
    this.#clock.wakeWaiters?.();
  }

  #ask(event: ResponderEvent & { type: "short-code-known" }): void {
    const { exchange, address, name, shortCode } = event;
    const { confirm } = this.#mode?.settings ?? {};
    const asking = new AbortController();
    this.#asking = asking;
    const ask = async () => confirm?.(shortCode, { address, name, signal: asking.signal });
    const answer = (isSame: boolean | undefined) => {
      if (isSame) this.#machine.accept(exchange, this.#clock.nowUs());
      else this.#machine.refuse(exchange);
      this.#runner.pump();
    };
    ask().then(answer, (cause: unknown) => {
      this.#failureCause = cause;
      answer(false);
    });
    this.#clock.wakeWaiters?.();
  }

  #notePaired({ address, way, key, name }: ResponderEvent & { type: "paired" }): void {
    const paired = { address, way, key, name };
    this.#asking?.abort();
    if (way !== "renew") this.#made = paired;
    guarded(() => this.#options.onPaired?.(paired));
  }

  #noteFailed({ address, way, code }: ResponderEvent & { type: "exchange-failed" }): void {
    this.#asking?.abort();
    const cause = this.#failureCause;
    this.#failureCause = undefined;
    const error = cause instanceof PairingError ? cause : failure(code, way, cause);
    const { onFailed } = this.#mode?.settings ?? {};
    guarded(() => onFailed?.(error, address));
  }

  #endMode(why: PairingModeEnd): void {
    const mode = this.#mode;
    const made = this.#made;
    this.#mode = undefined;
    this.#made = undefined;
    mode?.over.abort();
    if (why === "paired" && made) mode?.resolve(made);
    else mode?.reject(endError(why, this.#closeCause));
    this.#clock.wakeWaiters?.();
  }

  #handleClosed(cause: unknown): void {
    const mode = this.#mode;
    this.#mode = undefined;
    mode?.over.abort();
    mode?.reject(failure("endpoint-closed", "code", cause));
    this.close();
    this.#clock.wakeWaiters?.();
  }
}

/** What {@link openPairingMode} needs: the host's options and those of the mode. */
export interface OpenPairingModeOptions extends PairingHostOptions, PairingModeSettings {}

/**
 * Take one pairing, without a {@link PairingHost} of one's own: for an endpoint that has none, so renewals are taken
 * only meanwhile.
 *
 * ```ts
 * const { name, address } = await openPairingMode(board, { ways: ["code"], claim, ring, onWrongProofs });
 * ```
 * @throws {@link PairingError} as {@link PairingHost.openMode}
 */
export async function openPairingMode(
  endpoint: PairingEndpoint,
  options: OpenPairingModeOptions,
): Promise<PairedWith> {
  const host = new PairingHost(endpoint, options);
  try {
    return await host.openMode(options);
  } finally {
    // The initiator may not have heard the last answer.
    host.closeWhenIdle();
  }
}

function endError(why: PairingModeEnd, cause: unknown): PairingError {
  if (why === "code-locked") return failure("code-locked", "code");
  if (why === "closed") return failure("aborted", "code", cause);
  const sentence = "Nobody paired while pairing mode was open. Open it again.";
  return new PairingError("time-over", sentence);
}

/** The caller's code must not break ours. */
function guarded(run: () => void): void {
  try {
    run();
  } catch (error) {
    queueMicrotask(() => {
      throw error;
    });
  }
}
