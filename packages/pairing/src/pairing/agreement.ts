import { equalBytes } from "@noble/ciphers/utils.js";
import { x25519 } from "@noble/curves/ed25519.js";
import { sha256 } from "@noble/hashes/sha2.js";
import { concatBytes } from "@noble/hashes/utils.js";
import type { SharedKey } from "../keys/pair-key.js";
import { ExchangeKeys, transcriptOf } from "./exchange-keys.js";
import { randomScalar, SPAKE2_SEED_BYTES, Spake2 } from "./spake2.js";
import { type PairingWay, WAY_FORMATS, X25519_BYTES } from "./way.js";

/** Gives that many random bytes, fit for keys. */
export type RandomBytes = (bytes: number) => Uint8Array;

const COMMITMENT = new TextEncoder().encode("fardel compare");

/** What the initiator brings along. */
export interface InitiatorMeans {
  readonly way: PairingWay;
  readonly exchange: number;
  readonly random: RandomBytes;
  /** For `code`: the claim secret. */
  readonly claim?: Uint8Array;
  /** For `renew`: the key in use. */
  readonly key?: SharedKey;
}

/** What OFFER and ANSWER said: whole bodies, and what was read from them. */
export interface Said {
  readonly offer: Uint8Array;
  readonly answer: Uint8Array;
  readonly offerShare: Uint8Array;
  readonly answerShare: Uint8Array;
  readonly nameA: Uint8Array;
  readonly nameB: Uint8Array;
}

/** What both sides know when OFFER and ANSWER are said. */
export interface Conclusion {
  /** Field of PROOF. */
  readonly proof: Uint8Array;
  /** Field of CHECK. */
  readonly check: Uint8Array;
  readonly keys: ExchangeKeys;
  /** For `renew`: the key of before under which the proof was right. */
  readonly proven?: SharedKey;
}

/** The initiator's part in one way: its share, and what follows from the other one; nothing if that share is impossible. */
export interface InitiatorAgreement {
  readonly share: Uint8Array;
  conclude(said: Said): Conclusion | undefined;
}

/** What the responder brings along. */
export interface ResponderMeans {
  readonly way: PairingWay;
  readonly exchange: number;
  readonly random: RandomBytes;
  readonly claim?: Uint8Array;
  /** For `renew`: the keys that the initiator may be using; asked for when it proves one, as one may have been revoked. */
  readonly keys: () => readonly SharedKey[];
}

/** The responder's part in one way: its share, and what follows from a PROOF; nothing if that is wrong. */
export interface ResponderAgreement {
  readonly share: Uint8Array;
  judge(said: Said, proof: Uint8Array): Conclusion | undefined;
}

/** PROTOCOL.md, section 16.1. */
export function agreeAsInitiator(means: InitiatorMeans): InitiatorAgreement {
  const { way, random, exchange, claim, key } = means;
  if (way === "cable") {
    const share = random(WAY_FORMATS.cable.shareBytes);
    return { share, conclude: (said) => concludeWithTags(said, cableSecret(said)) };
  }
  if (way === "code") {
    const code = new Code("A", claim, random);
    return { share: code.share, conclude: (said) => code.conclude(said) };
  }
  const secret = random(X25519_BYTES);
  const own = x25519.getPublicKey(secret);
  if (way === "renew") {
    const conclude = (said: Said) => concludeRenewal(said, agree(secret, said.answerShare), key);
    return { share: own, conclude };
  }
  return {
    share: commitmentTo(exchange, own),
    conclude: (said) => concludeComparison(said, agree(secret, said.answerShare), own),
  };
}

/** PROTOCOL.md, section 16.1. */
export function agreeAsResponder(means: ResponderMeans): ResponderAgreement {
  const { way, random, exchange, claim, keys } = means;
  if (way === "cable") {
    const share = random(WAY_FORMATS.cable.shareBytes);
    return {
      share,
      judge: (said, proof) => rightOf([concludeWithTags(said, cableSecret(said))], proof),
    };
  }
  if (way === "code") {
    const code = new Code("B", claim, random);
    return { share: code.share, judge: (said, proof) => rightOf([code.conclude(said)], proof) };
  }
  const secret = random(X25519_BYTES);
  const share = x25519.getPublicKey(secret);
  if (way === "renew") {
    const judge = (said: Said, proof: Uint8Array) => {
      const agreed = agree(secret, said.offerShare);
      const conclusions = keys().map((key) => concludeRenewal(said, agreed, key));
      return rightOf(conclusions, proof);
    };
    return { share, judge };
  }
  const judge = (said: Said, revealed: Uint8Array) => {
    // Bound to its key before it saw ours: else it could search for one that gives the same short code.
    if (!equalBytes(commitmentTo(exchange, revealed), said.offerShare)) return undefined;
    return concludeComparison(said, agree(secret, revealed), revealed);
  };
  return { share, judge };
}

/** The first whose proof was given. All are compared in constant time. */
function rightOf(
  conclusions: readonly (Conclusion | undefined)[],
  proof: Uint8Array,
): Conclusion | undefined {
  return conclusions.find((each) => each && equalBytes(each.proof, proof));
}

/** cable: both shares, in plain. */
function cableSecret({ offerShare, answerShare }: Said): Uint8Array {
  return concatBytes(offerShare, answerShare);
}

function concludeWithTags({ offer, answer }: Said, secret: Uint8Array): Conclusion {
  const keys = new ExchangeKeys(transcriptOf(offer, answer), secret);
  return { proof: keys.tag("initiator", "proof"), check: keys.tag("responder", "check"), keys };
}

function concludeRenewal(
  said: Said,
  agreed: Uint8Array | undefined,
  key: SharedKey | undefined,
): Conclusion | undefined {
  if (!agreed || !key) return undefined;
  const conclusion = concludeWithTags(said, concatBytes(agreed, key.exportSecret()));
  return { ...conclusion, proven: key };
}

/** compare: PROOF reveals X, which is part of the transcript then. */
function concludeComparison(
  { offer, answer }: Said,
  agreed: Uint8Array | undefined,
  revealed: Uint8Array,
): Conclusion | undefined {
  if (!agreed) return undefined;
  const keys = new ExchangeKeys(transcriptOf(offer, answer, revealed), agreed);
  return { proof: revealed, check: keys.tag("responder", "check"), keys };
}

function commitmentTo(exchange: number, own: Uint8Array): Uint8Array {
  const number = new Uint8Array(4);
  new DataView(number.buffer).setUint32(0, exchange);
  return sha256(concatBytes(COMMITMENT, number, own));
}

/** X25519 of RFC 7748; nothing for the all-zero value (section 6.1 there), which the library refuses. */
function agree(secret: Uint8Array, share: Uint8Array): Uint8Array | undefined {
  try {
    return x25519.getSharedSecret(secret, share);
  } catch {
    return undefined;
  }
}

/** code: SPAKE2, with the transcript as additional data, so that the proofs cover the exchange and the way. */
class Code {
  readonly #spake2: Spake2;
  readonly #side: "A" | "B";
  readonly #claim: Uint8Array;

  constructor(side: "A" | "B", claim: Uint8Array | undefined, random: RandomBytes) {
    if (!claim) throw new RangeError("There is no claim secret.");
    this.#side = side;
    this.#claim = claim;
    this.#spake2 = new Spake2(side, claim, randomScalar(random(SPAKE2_SEED_BYTES)));
  }

  get share(): Uint8Array {
    return this.#spake2.share;
  }

  conclude(said: Said): Conclusion | undefined {
    const { offer, answer, offerShare, answerShare, nameA, nameB } = said;
    const transcript = transcriptOf(offer, answer);
    const setting = { w: this.#claim, nameA, nameB };
    const peerShare = this.#side === "A" ? answerShare : offerShare;
    const result = this.#spake2.finish(setting, peerShare, transcript);
    if (!result) return undefined;
    const { proofA, proofB, key } = result;
    return { proof: proofA, check: proofB, keys: new ExchangeKeys(transcript, key) };
  }
}
