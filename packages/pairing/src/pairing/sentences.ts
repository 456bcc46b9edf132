import { PairingError, type PairingErrorCode } from "../pairing-error.js";
import type { PairingWay } from "./way.js";

/** What happened, and what to do next. */
const SENTENCES: Readonly<Record<PairingErrorCode, string>> = {
  "no-answer":
    "The board did not answer. Check that it has power, is in range and on the same radio channel, then try again.",
  "not-in-pairing-mode":
    "The board is not in pairing mode. Press its button, or open pairing mode by its program, then try again.",
  busy: "The board is pairing with somebody else. Wait ten seconds, then try again.",
  "way-not-open":
    "The board does not take this way of pairing. Look at the ways that it announces, and choose another one.",
  "wrong-proof":
    "Somebody stands between the two sides, or what was said was damaged. Try again at another place.",
  "refused-here":
    "You refused. If the codes were different, somebody may stand between the two sides: try again at another place.",
  "refused-there":
    "Somebody refused at the board. If the codes were the same, try again and accept on both sides.",
  "cancelled-there": "The board gave up. Open its pairing mode, then try again.",
  aborted: "The pairing was aborted here. No key came of it.",
  "time-over": "The pairing took too long. Open pairing mode again, and accept more quickly.",
  "exchange-unknown": "The board restarted in the middle of the pairing. Try again.",
  "no-key": "There is no key for this address that could be renewed. Pair in another way.",
  "bad-claim-code": "This is no claim code. Read the label again.",
  "code-locked":
    "There were five wrong claim codes in a row, so none is taken any more. If nobody is guessing, allow them again.",
  "not-stored": "The key could not be stored. Mend the store, then pair again.",
  "ring-full": "The key ring is full. Forget some addresses, or raise addressesMax.",
  "mtu-too-small": "Datagrams of this link are too small for pairing.",
  "endpoint-closed": "The endpoint was closed. Open it again to pair.",
  "invalid-option": "An option is not valid.",
};

/** Where the way makes a difference. */
const OF_WAYS: Readonly<Record<string, string>> = {
  "wrong-proof code":
    "The claim code is wrong, or somebody stands between you and the board. Read the label again and try once more: after five wrong codes in a row the board takes none.",
  "wrong-proof renew":
    "The board does not have the key that is in use here, or somebody stands between. Pair again in another way.",
  "way-not-open code":
    "The board does not take its claim code: it was made without one, or there were too many wrong codes. Its owner has to allow it again.",
  "way-not-open renew": "The board has no key of ours. Pair again in another way.",
  "way-not-open cable":
    "The board takes pairing in plain only over a cable. Use one, or choose another way.",
};

/** A pairing that was under way must not undo a revocation. */
export function revokedMeanwhile(): PairingError {
  const sentence =
    "The address was revoked while it was pairing. Pair again if it is to be trusted.";
  return new PairingError("aborted", sentence);
}

/** The error for a pairing that failed. */
export function failure(code: PairingErrorCode, way: PairingWay, cause?: unknown): PairingError {
  const sentence = OF_WAYS[`${code} ${way}`] ?? SENTENCES[code];
  return new PairingError(code, sentence, cause === undefined ? undefined : { cause });
}
