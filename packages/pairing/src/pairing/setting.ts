import type { Sessionless, SessionlessListener } from "@fardel/core";
import { type Clock, type Endpoint, SESSIONLESS_KIND, SystemClock } from "@fardel/core";
import { PairingError } from "../pairing-error.js";
import type { RandomBytes } from "./agreement.js";

/** What pairing needs of an endpoint. */
export type PairingEndpoint = Pick<Endpoint, "sessionless">;

/** What a person is asked when the way is `compare`. */
export interface ShortCodeQuestion {
  readonly address: Uint8Array;
  /** What the other side calls itself: anybody's text, show it with care. */
  readonly name: string;
  /** Aborted when the answer does not matter any more. */
  readonly signal: AbortSignal;
}

/** Asks a person whether both sides show the same six digits. What it throws counts as no. */
export type ConfirmShortCode = (shortCode: string, about: ShortCodeQuestion) => Promise<boolean>;

/** What a test gives instead of the real things. */
export interface PairingEnvironment {
  /** The endpoint's clock. Default: real time. */
  readonly clock?: Clock;
  /** Random bytes, fit for keys. Default: the platform's cryptographic source. */
  readonly random?: RandomBytes;
}

/** Smallest MTU of a link for pairing, bytes; PROTOCOL.md, section 16. */
export const PAIRING_MTU_MIN = 96;
/** Bytes of a datagram without session that are not its body; section 15. */
const AROUND_BYTES = 4;

export function resolveEnvironment(given: PairingEnvironment): Required<PairingEnvironment> {
  const { clock = new SystemClock(), random = cryptoRandom } = given;
  return { clock, random };
}

/** @throws {@link PairingError} `mtu-too-small` */
export function listenForPairing(
  endpoint: PairingEndpoint,
  listener: SessionlessListener,
): Sessionless {
  const sessionless = endpoint.sessionless(SESSIONLESS_KIND.pair, listener);
  const mtuBytes = sessionless.bodyBytesMax + AROUND_BYTES;
  if (mtuBytes >= PAIRING_MTU_MIN) return sessionless;
  sessionless.close();
  const sentence = `Datagrams of this link hold ${mtuBytes} bytes, pairing needs ${PAIRING_MTU_MIN}. Pair over another link.`;
  throw new PairingError("mtu-too-small", sentence);
}

function cryptoRandom(bytes: number): Uint8Array {
  return crypto.getRandomValues(new Uint8Array(bytes));
}
