import { isSame } from "../keys/key-ring.js";
import type { PairingErrorCode } from "../pairing-error.js";
import { agreeAsResponder, type Conclusion } from "./agreement.js";
import { SILENCE_US } from "./initiator.js";
import { encodeName } from "./name.js";
import {
  ABORT_REASON,
  type AbortReason,
  decodePairBody,
  encodeAbort,
  encodeAnswer,
  encodeProof,
  encodeWait,
  isWorthAbort,
  type PairBody,
  readPairHead,
} from "./pair-body.js";
import type {
  PairingModeEnd,
  PairingModeOptions,
  ResponderEvent,
  ResponderOptions,
} from "./responder-events.js";
import { ResponderExchange } from "./responder-exchange.js";
import type { PairTransmit } from "./runner.js";
import type { PairingWay } from "./way.js";

/** Wrong proofs in a row after which a claim code is taken no more. PROTOCOL.md, section 16.1. */
export const WRONG_PROOFS_MAX = 5;
/** Answers that wait to be sent at most; one more is dropped, and asked for again by its initiator. */
const OUTGOING_MAX = 16;

/** What an initiator says about the end of an exchange, as the responder's owner is told. */
const CODES: Readonly<Partial<Record<AbortReason, PairingErrorCode>>> = {
  [ABORT_REASON.wrongProof]: "wrong-proof",
  [ABORT_REASON.refused]: "refused-there",
  [ABORT_REASON.timeOver]: "time-over",
};

/**
 * The side that is asked to pair: only answers, one exchange at a time. Without input or output of its own. After
 * each input or command take all of `pollEvent` and `pollTransmit`, and call `handleTimeout` at `timeoutUs`.
 * PROTOCOL.md, section 16.
 */
export class PairingResponder {
  readonly #options: ResponderOptions;
  readonly #name: Uint8Array;
  readonly #events: ResponderEvent[] = [];
  readonly #outgoing: PairTransmit[] = [];
  #mode: PairingModeOptions | undefined;
  #current: ResponderExchange | undefined;
  /** The last one that is over: its messages may still come. */
  #last: ResponderExchange | undefined;
  #wrongProofs: number;

  /** @throws {@link PairingError} `invalid-option` */
  constructor(options: ResponderOptions) {
    this.#options = options;
    this.#name = encodeName(options.name);
    this.#wrongProofs = options.wrongProofs ?? 0;
  }

  // Getters

  get isInPairingMode(): boolean {
    return this.#mode !== undefined;
  }

  /** Whether an exchange is under way, or one that was kept may still be asked about at this instant. */
  isBusy(nowUs: number): boolean {
    return this.#current !== undefined || (this.#last?.answersUntilUs ?? 0) > nowUs;
  }

  /** With whom an exchange is under way. */
  get partner(): Uint8Array | undefined {
    return this.#current?.address;
  }

  get wrongProofs(): number {
    return this.#wrongProofs;
  }

  /** Instant at which {@link handleTimeout} has something to do; `Infinity`: none. */
  get timeoutUs(): number {
    const silentUs = this.#current?.silentUs ?? Number.POSITIVE_INFINITY;
    return Math.min(silentUs, this.#isModeHeld ? Number.POSITIVE_INFINITY : this.#modeEndUs);
  }

  // Commands

  /** Take one pairing in one of these ways. Replaces what was open before. */
  openMode(mode: PairingModeOptions): void {
    this.#mode = mode;
  }

  /** Take none any more. An exchange whose key is not agreed yet is cancelled. */
  closeMode(): void {
    if (!this.#mode) return;
    this.#leaveUnagreed("aborted", ABORT_REASON.cancelled);
    this.#endMode("closed");
  }

  /** The owner allows claim codes again after too many wrong ones. */
  forgiveWrongProofs(): void {
    this.#wrongProofs = 0;
  }

  /** The person says that the short codes are the same. */
  accept(exchange: object, nowUs: number): void {
    const current = this.#currentIn(exchange, "asking");
    if (current?.conclusion) this.#agree(current, current.conclusion, nowUs);
  }

  /** The person says that they are not. */
  refuse(exchange: object): void {
    const current = this.#currentIn(exchange, "asking");
    if (current) this.#fail(current, "refused-here", ABORT_REASON.refused);
  }

  /** What the last event with this exchange wanted to be stored is stored. */
  stored(exchange: object, nowUs: number): void {
    const current = this.#current;
    if (!current || current.handle !== exchange) return;
    if (current.phase === "counting") this.#judge(current, nowUs);
    else if (current.phase === "storing") this.#check(current, nowUs);
    else if (current.phase === "settling") this.#finish(current, nowUs);
  }

  /** It could not be stored. */
  notStored(exchange: object): void {
    const current = this.#current;
    if (current?.handle === exchange) this.#fail(current, "not-stored", ABORT_REASON.cancelled);
  }

  // Inputs

  /** A PAIR body came from an address. */
  handleBody(from: Uint8Array, body: Uint8Array, nowUs: number): void {
    const head = readPairHead(body);
    if (!head) return;
    const { exchange } = head;
    if (head.step === "offer") {
      const offer = decodePairBody(body, "cable");
      if (offer?.step === "offer") this.#handleOffer(from, offer, body, nowUs);
      return;
    }
    const known = [this.#current, this.#last].find((each) => each?.is(from, exchange));
    if (known && (known === this.#current || known.done)) {
      const said = decodePairBody(body, known.way);
      if (said) this.#handleKnown(known, said, nowUs);
    } else if ((head.step === "proof" || head.step === "kept") && isWorthAbort(body))
      this.#send(from, encodeAbort(exchange, known?.reason ?? ABORT_REASON.unknown));
  }

  handleTimeout(nowUs: number): void {
    const current = this.#current;
    if (current && nowUs >= current.silentUs) this.#fail(current, "no-answer");
    if (nowUs < this.#modeEndUs || this.#isModeHeld) return;
    this.#leaveUnagreed("time-over", ABORT_REASON.timeOver);
    this.#endMode("time-over");
  }

  // Outputs

  /** The next body to send, once. */
  pollTransmit(): PairTransmit | undefined {
    return this.#outgoing.shift();
  }

  pollEvent(): ResponderEvent | undefined {
    return this.#events.shift();
  }

  #handleOffer(
    from: Uint8Array,
    offer: PairBody & { step: "offer" },
    body: Uint8Array,
    nowUs: number,
  ): void {
    const { exchange, way } = offer;
    const current = this.#current;
    if (current?.is(from, exchange)) {
      // Another offer under the same number is forged: the real one is not answered in two ways.
      if (current.phase === "answered" && isSame(current.offer, body))
        this.#send(from, current.answer);
    } else if (current) this.#send(from, encodeAbort(exchange, ABORT_REASON.busy));
    // A copy that comes late must not begin it anew.
    else if (this.#last?.is(from, exchange)) return;
    else {
      const reason = this.#refusalOf(from, way);
      if (reason) this.#send(from, encodeAbort(exchange, reason));
      else this.#begin(from, offer, body, nowUs);
    }
  }

  /** Why an exchange may not begin. */
  #refusalOf(from: Uint8Array, way: PairingWay): AbortReason | undefined {
    const { keysFor, claim, mayBegin } = this.#options;
    if (way === "renew") {
      if (keysFor(from).length === 0) return ABORT_REASON.wayNotOpen;
    } else {
      if (!this.#mode) return ABORT_REASON.notInPairingMode;
      const isCodeShut = way === "code" && (!claim || this.#isCodeLocked);
      if (!this.#mode.ways.includes(way) || isCodeShut) return ABORT_REASON.wayNotOpen;
    }
    return mayBegin && !mayBegin(from) ? ABORT_REASON.busy : undefined;
  }

  #begin(
    from: Uint8Array,
    { exchange, way, share, name }: PairBody & { step: "offer" },
    offer: Uint8Array,
    nowUs: number,
  ): void {
    const { random, claim, keysFor } = this.#options;
    const address = from.slice();
    const keys = () => keysFor(address);
    const agreement = agreeAsResponder({ way, exchange, random, keys, ...(claim && { claim }) });
    const answer = encodeAnswer(exchange, agreement.share, this.#name);
    const said = {
      offer: offer.slice(),
      answer,
      offerShare: share,
      answerShare: agreement.share,
      nameA: encodeName(name),
      nameB: this.#name,
    };
    const silentUs = nowUs + SILENCE_US;
    const current = new ResponderExchange(address, exchange, way, name, agreement, said, silentUs);
    this.#current = current;
    this.#tell("exchange-begun", current);
    this.#send(from, answer);
  }

  #handleKnown(known: ResponderExchange, said: PairBody, nowUs: number): void {
    if (known === this.#last) {
      if (said.step === "kept" && known.done && nowUs < known.answersUntilUs)
        if (known.isKept(said.proof)) this.#send(known.address, known.done);
    } else if (said.step === "proof") this.#handleProof(known, said.proof, nowUs);
    else if (said.step === "kept") this.#handleKept(known, said.proof, nowUs);
    // KEPT was right: nobody can undo that by a word that anyone may have said.
    else if (said.step === "abort" && known.phase !== "settling")
      this.#fail(known, CODES[said.reason] ?? "cancelled-there");
  }

  #handleProof(current: ResponderExchange, proof: Uint8Array, nowUs: number): void {
    const { phase, way, address, exchange } = current;
    if (phase === "answered") {
      current.proof = proof;
      current.silentUs = nowUs + SILENCE_US;
      if (way !== "code") {
        this.#judge(current, nowUs);
        return;
      }
      // Counted as wrong until it has shown to be right: cutting the power must not give guesses away.
      current.phase = "counting";
      this.#wrongProofs++;
      const event = { type: "guess-counted", wrongProofs: this.#wrongProofs } as const;
      this.#events.push({ ...event, ...current.subject });
    } else if (phase === "asking" || phase === "checked") {
      if (!isSame(proof, current.proof)) return;
      // Pairing mode bounds how long a person may take.
      if (this.#mode && nowUs < this.#mode.untilUs) current.silentUs = nowUs + SILENCE_US;
      this.#send(address, phase === "asking" ? encodeWait(exchange) : current.check);
    }
  }

  #judge(current: ResponderExchange, nowUs: number): void {
    const conclusion = current.agreement.judge(current.said, current.proof);
    if (!conclusion) {
      this.#fail(current, "wrong-proof", ABORT_REASON.wrongProof);
      return;
    }
    current.conclusion = conclusion;
    if (current.way === "code") {
      this.#wrongProofs = 0;
      this.#events.push({ type: "guesses-forgiven" });
    }
    if (current.way !== "compare") {
      this.#agree(current, conclusion, nowUs);
      return;
    }
    current.phase = "asking";
    const shortCode = conclusion.keys.shortCode();
    this.#events.push({ type: "short-code-known", shortCode, ...current.subject });
    this.#send(current.address, encodeWait(current.exchange));
  }

  #agree(current: ResponderExchange, conclusion: Conclusion, nowUs: number): void {
    current.phase = "storing";
    current.silentUs = nowUs + SILENCE_US;
    const key = conclusion.keys.pairKey("responder");
    current.key = key;
    const { proven } = conclusion;
    this.#events.push({ type: "key-agreed", key, ...(proven && { proven }), ...current.subject });
  }

  #check(current: ResponderExchange, nowUs: number): void {
    const { conclusion, exchange, address } = current;
    if (!conclusion) return;
    current.phase = "checked";
    current.silentUs = nowUs + SILENCE_US;
    current.check = encodeProof("check", exchange, conclusion.check);
    this.#send(address, current.check);
  }

  #handleKept(current: ResponderExchange, tag: Uint8Array, nowUs: number): void {
    const { key } = current;
    if (current.phase !== "checked" || !key || !current.isKept(tag)) return;
    current.phase = "settling";
    current.silentUs = nowUs + SILENCE_US;
    this.#events.push({ type: "key-kept", key, ...current.subject });
  }

  #finish(current: ResponderExchange, nowUs: number): void {
    const { key, conclusion, exchange } = current;
    if (!key || !conclusion) return;
    current.done = encodeProof("done", exchange, conclusion.keys.tag("responder", "done"));
    current.answersUntilUs = nowUs + SILENCE_US;
    this.#send(current.address, current.done);
    this.#end(current);
    this.#events.push({ type: "paired", key, ...current.subject });
    if (current.way !== "renew") this.#endMode("paired");
  }

  #fail(current: ResponderExchange, code: PairingErrorCode, reason?: AbortReason): void {
    if (reason) this.#send(current.address, encodeAbort(current.exchange, reason));
    current.reason = reason;
    this.#end(current);
    this.#events.push({ type: "exchange-failed", code, ...current.subject });
    if (this.#isCodeLocked && this.#mode?.ways.every((way) => way === "code"))
      this.#endMode("code-locked");
  }

  #end(current: ResponderExchange): void {
    this.#current = undefined;
    this.#last = current;
  }

  /** An exchange of pairing mode that has not come as far as its key. */
  #leaveUnagreed(code: "aborted" | "time-over", reason: AbortReason): void {
    const current = this.#current;
    if (current && current.way !== "renew" && !current.key) this.#fail(current, code, reason);
  }

  #endMode(why: PairingModeEnd): void {
    if (!this.#mode) return;
    this.#mode = undefined;
    this.#events.push({ type: "mode-ended", why });
  }

  get #isCodeLocked(): boolean {
    return this.#wrongProofs >= WRONG_PROOFS_MAX;
  }

  get #modeEndUs(): number {
    return this.#mode?.untilUs ?? Number.POSITIVE_INFINITY;
  }

  /** The one pairing is as good as made: pairing mode ends with it, not with its time. */
  get #isModeHeld(): boolean {
    return this.#current?.key !== undefined && this.#current.way !== "renew";
  }

  #currentIn(exchange: object, phase: string): ResponderExchange | undefined {
    const current = this.#current;
    return current?.handle === exchange && current.phase === phase ? current : undefined;
  }

  #tell(type: "exchange-begun", current: ResponderExchange): void {
    this.#events.push({ type, ...current.subject });
  }

  #send(to: Uint8Array, body: Uint8Array): void {
    if (this.#outgoing.length < OUTGOING_MAX) this.#outgoing.push({ to: to.slice(), body });
  }
}
