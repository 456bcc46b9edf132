import type { SharedKey } from "../keys/pair-key.js";
import type { PairingErrorCode } from "../pairing-error.js";
import type { RandomBytes } from "./agreement.js";
import type { PairingWay } from "./way.js";

/** What a responder needs. */
export interface ResponderOptions {
  /** What it calls itself, at most 16 bytes of UTF-8. */
  readonly name: string;
  readonly random: RandomBytes;
  /** For `renew`: the keys that the initiator at an address may be using. None: it cannot renew. */
  readonly keysFor: (address: Uint8Array) => readonly SharedKey[];
  /** For `code`: the claim secret, 32 bytes. */
  readonly claim?: Uint8Array;
  /** Wrong proofs in a row so far, also before a restart. Default 0. */
  readonly wrongProofs?: number;
  /** Whether an exchange with this address may begin now; default: always. */
  readonly mayBegin?: (address: Uint8Array) => boolean;
}

/** What pairing mode allows. */
export interface PairingModeOptions {
  /** Ways that are open. `cable` only if the link is one. */
  readonly ways: readonly Exclude<PairingWay, "renew">[];
  /** When it ends by itself, microseconds. */
  readonly untilUs: number;
}

/** Whose exchange an event belongs to. */
interface OfExchange {
  /** Stands for the exchange in `stored` and `notStored`. */
  readonly exchange: object;
  readonly address: Uint8Array;
  readonly way: PairingWay;
  /** What the initiator calls itself: anybody's text, show it with care. */
  readonly name: string;
}

/** What a responder tells its owner. */
export type ResponderEvent =
  | ({ readonly type: "exchange-begun" } & OfExchange)
  /** code: about to look at a proof. When this count of wrong ones is stored, so that no restart undoes it, call `stored`. */
  | ({ readonly type: "guess-counted"; readonly wrongProofs: number } & OfExchange)
  /** code: the proof was right. The count of wrong ones is 0 again. */
  | { readonly type: "guesses-forgiven" }
  /** compare: a person has to compare. Then call `accept` or `refuse`. */
  | ({ readonly type: "short-code-known"; readonly shortCode: string } & OfExchange)
  /**
   * The initiator is about to have this key. Understand it beside the one in use, and when that is stored call `stored`.
   * `proven`: the key of before that both have, older ones are not needed any more.
   */
  | ({
      readonly type: "key-agreed";
      readonly key: SharedKey;
      readonly proven?: SharedKey;
    } & OfExchange)
  /** The initiator uses the key: use it too, forget those before, and when that is stored call `stored`. */
  | ({ readonly type: "key-kept"; readonly key: SharedKey } & OfExchange)
  /** It is over, and pairing mode with it if it was not a renewal. */
  | ({ readonly type: "paired"; readonly key: SharedKey } & OfExchange)
  /** It is over. Pairing mode stays open. */
  | ({ readonly type: "exchange-failed"; readonly code: PairingErrorCode } & OfExchange)
  | { readonly type: "mode-ended"; readonly why: PairingModeEnd };

/**
 * Why pairing mode ended: a pairing was made, its time was over, its owner closed it, or there were too many wrong claim
 * codes and no other way was open.
 */
export type PairingModeEnd = "paired" | "time-over" | "closed" | "code-locked";
