import { equalBytes } from "@noble/ciphers/utils.js";
import { isSame } from "../keys/key-ring.js";
import type { SharedKey } from "../keys/pair-key.js";
import type { Conclusion, ResponderAgreement, Said } from "./agreement.js";
import type { AbortReason } from "./pair-body.js";
import type { PairingWay } from "./way.js";

/**
 * How far an exchange has come: ANSWER sent; the guess is being counted; a person is asked; the key is being stored;
 * CHECK sent; the key is being taken into use.
 */
export type ResponderPhase =
  | "answered"
  | "counting"
  | "asking"
  | "storing"
  | "checked"
  | "settling";

const NOTHING = new Uint8Array(0);

/** What a responder remembers of one exchange. */
export class ResponderExchange {
  phase: ResponderPhase = "answered";
  /** What PROOF said. */
  proof: Uint8Array = NOTHING;
  conclusion: Conclusion | undefined;
  key: SharedKey | undefined;
  /** The CHECK and DONE that were sent, to be sent again. */
  check: Uint8Array = NOTHING;
  done: Uint8Array | undefined;
  /** With which ABORT it ended here. */
  reason: AbortReason | undefined;
  /** Stands for it in events and commands, and tells nothing. */
  readonly handle: object = Object.freeze({});
  /** KEPT is answered until then. */
  answersUntilUs = 0;

  /** @param silentUs - when it fails unless something comes of it */
  constructor(
    readonly address: Uint8Array,
    readonly exchange: number,
    readonly way: PairingWay,
    readonly name: string,
    readonly agreement: ResponderAgreement,
    readonly said: Said,
    public silentUs: number,
  ) {}

  get offer(): Uint8Array {
    return this.said.offer;
  }

  get answer(): Uint8Array {
    return this.said.answer;
  }

  /** For events. */
  get subject() {
    const { address, way, name } = this;
    return { exchange: this.handle, address: address.slice(), way, name };
  }

  is(from: Uint8Array, exchange: number): boolean {
    return this.exchange === exchange && isSame(from, this.address);
  }

  /** Whether the field of a KEPT is right. */
  isKept(tag: Uint8Array): boolean {
    const right = this.conclusion?.keys.tag("initiator", "kept");
    return right !== undefined && equalBytes(tag, right);
  }
}
