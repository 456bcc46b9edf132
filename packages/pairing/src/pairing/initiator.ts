import { equalBytes } from "@noble/ciphers/utils.js";
import { isSame } from "../keys/key-ring.js";
import type { SharedKey } from "../keys/pair-key.js";
import type { PairingErrorCode } from "../pairing-error.js";
import {
  agreeAsInitiator,
  type Conclusion,
  type InitiatorAgreement,
  type RandomBytes,
} from "./agreement.js";
import { encodeName } from "./name.js";
import {
  ABORT_REASON,
  type AbortReason,
  decodePairBody,
  encodeAbort,
  encodeOffer,
  encodeProof,
  type PairBody,
  readPairHead,
} from "./pair-body.js";
import { RepeatTimer } from "./repeat-timer.js";
import type { PairTransmit } from "./runner.js";
import type { PairingWay } from "./way.js";

/** Silence after which an exchange fails, microseconds. PROTOCOL.md, section 16.3. */
export const SILENCE_US = 10_000_000;
/** Longest exchange of an initiator, microseconds: a responder that says WAIT for ever is left. */
export const EXCHANGE_US_MAX = 120_000_000;

/** What an initiator needs. */
export interface InitiatorOptions {
  /** Whom to pair with. */
  readonly address: Uint8Array;
  readonly way: PairingWay;
  /** What it calls itself, at most 16 bytes of UTF-8. */
  readonly name: string;
  readonly random: RandomBytes;
  /** For `code`: the claim secret, 32 bytes. */
  readonly claim?: Uint8Array;
  /** For `renew`: the key in use. */
  readonly key?: SharedKey;
  /** When to give up, whatever is said: microseconds from now. Default {@link EXCHANGE_US_MAX}. */
  readonly durationUs?: number;
}

/** What an initiator tells its owner. */
export type InitiatorEvent =
  /** The responder has answered. */
  | { readonly type: "answered"; readonly name: string }
  /** compare: a person has to compare. Then call `accept` or `refuse`. */
  | { readonly type: "short-code-known"; readonly shortCode: string; readonly name: string }
  /** compare: the responder waits for its person. */
  | { readonly type: "waited-for" }
  /** The responder has this key. Use it beside the one before, and when that is stored call `stored`. */
  | { readonly type: "key-agreed"; readonly key: SharedKey; readonly name: string }
  /** It is over. Confirmed: the responder uses the key too, the one before is not needed any more. */
  | {
      readonly type: "paired";
      readonly key: SharedKey;
      readonly name: string;
      readonly isConfirmed: boolean;
    }
  /** It is over, and no key came of it. */
  | { readonly type: "failed"; readonly code: PairingErrorCode };

type Phase = "offering" | "proving" | "deciding" | "storing" | "keeping" | "over";

const CODES: Readonly<Record<AbortReason, PairingErrorCode>> = {
  [ABORT_REASON.notInPairingMode]: "not-in-pairing-mode",
  [ABORT_REASON.busy]: "busy",
  [ABORT_REASON.wayNotOpen]: "way-not-open",
  [ABORT_REASON.wrongProof]: "wrong-proof",
  [ABORT_REASON.refused]: "refused-there",
  [ABORT_REASON.cancelled]: "cancelled-there",
  [ABORT_REASON.timeOver]: "time-over",
  [ABORT_REASON.unknown]: "exchange-unknown",
};

/**
 * The side that begins a pairing, without input or output of its own. After each input or command take all
 * of `pollEvent` and `pollTransmit`, and call `handleTimeout` at `timeoutUs`. PROTOCOL.md, section 16.
 */
export class PairingInitiator {
  readonly #options: InitiatorOptions;
  readonly #exchange: number;
  readonly #agreement: InitiatorAgreement;
  readonly #offer: Uint8Array;
  readonly #offerShare: Uint8Array;
  readonly #repeats: RepeatTimer;
  readonly #endUs: number;
  readonly #events: InitiatorEvent[] = [];
  readonly #outgoing: Uint8Array[] = [];
  #phase: Phase = "offering";
  #message: Uint8Array;
  #silentUs: number;
  #isAccepted: boolean;
  #isLeaving = false;
  #isWaitedFor = false;
  #name = "";
  #conclusion: Conclusion | undefined;
  #key: SharedKey | undefined;

  /** @throws {@link PairingError} `invalid-option` */
  constructor(options: InitiatorOptions, nowUs: number) {
    const { way, random, name, durationUs = EXCHANGE_US_MAX } = options;
    this.#options = { ...options, address: options.address.slice() };
    this.#exchange = new DataView(random(4).slice().buffer).getUint32(0);
    this.#agreement = agreeAsInitiator({ ...options, exchange: this.#exchange });
    this.#offerShare = this.#agreement.share;
    this.#offer = encodeOffer(this.#exchange, way, this.#offerShare, encodeName(name));
    this.#repeats = new RepeatTimer(random);
    this.#endUs = nowUs + durationUs;
    this.#silentUs = nowUs + SILENCE_US;
    this.#isAccepted = way !== "compare";
    this.#message = this.#offer;
    this.#say(this.#offer, nowUs);
  }

  // Getters

  get address(): Uint8Array {
    return this.#options.address;
  }

  get isOver(): boolean {
    return this.#phase === "over";
  }

  /** Instant at which {@link handleTimeout} has something to do; `Infinity`: none. */
  get timeoutUs(): number {
    if (this.#phase === "over") return Number.POSITIVE_INFINITY;
    if (this.#phase === "storing") return this.#endUs;
    return Math.min(this.#endUs, this.#silentUs, this.#repeats.atUs);
  }

  // Commands

  /** The person says that the short codes are the same. */
  accept(): void {
    if (this.#phase !== "proving" && this.#phase !== "deciding") return;
    this.#isAccepted = true;
    if (this.#phase === "deciding") this.#agree();
  }

  /** The person says that they are not. */
  refuse(): void {
    if (this.#isUndecided()) this.#fail("refused-here", ABORT_REASON.refused);
  }

  /** Give up. Once the key is in use that cannot be undone: the exchange then ends unconfirmed. */
  cancel(): void {
    if (this.#isUndecided()) this.#fail("aborted", ABORT_REASON.cancelled);
    else if (this.#phase === "keeping") this.#succeed(false);
    else this.#isLeaving = true;
  }

  /** The key that was agreed is in use here, and stored. */
  stored(nowUs: number): void {
    if (this.#phase !== "storing" || !this.#conclusion) return;
    this.#phase = "keeping";
    this.#silentUs = nowUs + SILENCE_US;
    const tag = this.#conclusion.keys.tag("initiator", "kept");
    this.#say(encodeProof("kept", this.#exchange, tag), nowUs);
    if (this.#isLeaving) this.#succeed(false);
  }

  /** The key could not be stored. */
  notStored(): void {
    if (this.#phase === "storing") this.#fail("not-stored", ABORT_REASON.cancelled);
  }

  // Inputs

  /** A PAIR body came from this address. */
  handleBody(from: Uint8Array, body: Uint8Array, nowUs: number): void {
    if (this.#phase === "over" || !isSame(from, this.#options.address)) return;
    if (readPairHead(body)?.exchange !== this.#exchange) return;
    const said = decodePairBody(body, this.#options.way);
    if (said) this.#handle(said, body, nowUs);
  }

  handleTimeout(nowUs: number): void {
    if (nowUs < this.timeoutUs) return;
    if (nowUs >= this.#endUs) this.#giveUp("time-over");
    else if (nowUs >= this.#silentUs) this.#giveUp("no-answer");
    else {
      // What its owner has not even taken yet need not be said twice.
      if (this.#outgoing.length === 0) this.#outgoing.push(this.#message);
      this.#repeats.next(nowUs);
    }
  }

  // Outputs

  /** The next body to send, once. */
  pollTransmit(): PairTransmit | undefined {
    const body = this.#outgoing.shift();
    return body && { to: this.#options.address, body };
  }

  pollEvent(): InitiatorEvent | undefined {
    return this.#events.shift();
  }

  #handle(said: PairBody, body: Uint8Array, nowUs: number): void {
    const phase = this.#phase;
    const isProving = phase === "proving" || phase === "deciding";
    if (said.step === "answer" && phase === "offering") this.#handleAnswer(said, body, nowUs);
    else if (said.step === "check" && isProving) this.#handleCheck(said.proof, nowUs);
    else if (said.step === "wait" && phase === "proving") this.#handleWait(nowUs);
    else if (said.step === "done" && phase === "keeping") this.#handleDone(said.proof);
    // After CHECK it is passed over: the responder has the key, whoever says what.
    else if (said.step === "abort" && (phase === "offering" || phase === "proving"))
      this.#fail(CODES[said.reason]);
  }

  #handleAnswer(
    { share, name }: PairBody & { step: "answer" },
    answer: Uint8Array,
    nowUs: number,
  ): void {
    const conclusion = this.#agreement.conclude({
      offer: this.#offer,
      answer: answer.slice(),
      offerShare: this.#offerShare,
      answerShare: share,
      nameA: encodeName(this.#options.name),
      nameB: encodeName(name),
    });
    if (!conclusion) {
      this.#fail("wrong-proof", ABORT_REASON.wrongProof);
      return;
    }
    this.#conclusion = conclusion;
    this.#name = name;
    this.#phase = "proving";
    this.#silentUs = nowUs + SILENCE_US;
    this.#say(encodeProof("proof", this.#exchange, conclusion.proof), nowUs);
    this.#events.push({ type: "answered", name });
    if (this.#options.way !== "compare") return;
    const shortCode = conclusion.keys.shortCode();
    this.#events.push({ type: "short-code-known", shortCode, name });
  }

  #handleWait(nowUs: number): void {
    if (this.#options.way !== "compare") return;
    this.#silentUs = nowUs + SILENCE_US;
    if (!this.#isWaitedFor) this.#events.push({ type: "waited-for" });
    this.#isWaitedFor = true;
  }

  #handleCheck(check: Uint8Array, nowUs: number): void {
    if (!this.#conclusion || !equalBytes(check, this.#conclusion.check)) {
      if (this.#phase === "proving") this.#fail("wrong-proof", ABORT_REASON.wrongProof);
      return;
    }
    this.#silentUs = nowUs + SILENCE_US;
    this.#phase = "deciding";
    if (this.#isAccepted) this.#agree();
  }

  #handleDone(tag: Uint8Array): void {
    const right = this.#conclusion?.keys.tag("responder", "done");
    if (right && equalBytes(tag, right)) this.#succeed(true);
  }

  /** CHECK was right, and nobody has to be asked any more. */
  #agree(): void {
    if (!this.#conclusion) return;
    this.#phase = "storing";
    this.#repeats.stop();
    this.#key = this.#conclusion.keys.pairKey("initiator");
    this.#events.push({ type: "key-agreed", key: this.#key, name: this.#name });
  }

  #isUndecided(): boolean {
    return this.#phase !== "over" && !this.#key;
  }

  #giveUp(code: "time-over" | "no-answer"): void {
    if (this.#phase === "keeping") this.#succeed(false);
    else if (this.#phase === "storing") this.#fail("not-stored", ABORT_REASON.cancelled);
    else this.#fail(code, ABORT_REASON.timeOver);
  }

  #succeed(isConfirmed: boolean): void {
    this.#end();
    if (this.#key)
      this.#events.push({ type: "paired", key: this.#key, name: this.#name, isConfirmed });
  }

  #fail(code: PairingErrorCode, reason?: AbortReason): void {
    this.#end();
    if (reason) this.#outgoing.push(encodeAbort(this.#exchange, reason));
    this.#events.push({ type: "failed", code });
  }

  #end(): void {
    this.#phase = "over";
    this.#repeats.stop();
    this.#conclusion = undefined;
  }

  #say(message: Uint8Array, nowUs: number): void {
    this.#message = message;
    this.#outgoing.push(message);
    this.#repeats.start(nowUs);
  }
}
