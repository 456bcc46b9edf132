import {
  type Address,
  type Clock,
  type Endpoint,
  PROTECTED_MTU_MIN,
  SESSIONLESS_KIND,
} from "@fardel/core";
import {
  type Announcing,
  announce,
  claimSecretSync,
  type KeyRing,
  type OpenWay,
  PAIRING_MTU_MIN,
  PairingError,
  PairingHost,
} from "@fardel/pairing";
import { inventedClaimCode } from "./invented-label.js";

/** What simulated boards say they are. */
export const BOARD_KIND = "row-station";

/** Ways that their pairing mode opens: no cable leads to them. */
const WAYS: readonly OpenWay[] = ["code", "compare"];
/** The longest that pairing mode may be open at a time, microseconds. */
const MODE_US = 3_600_000_000;
/** A datagram that announces a board without kind and name; PROTOCOL.md, sections 15 and 15.1. */
const ANNOUNCEMENT_BYTES = 12;

/** What a {@link FindableBoard} needs. */
export interface FindableBoardOptions {
  readonly endpoint: Endpoint;
  readonly address: Address;
  readonly mtuBytes: number;
  readonly clock: Clock;
  /** At most 16 bytes of UTF-8. */
  readonly name: string;
  /** Where its keys go; the endpoint's `protection`, if it has one. */
  readonly ring: KeyRing;
  readonly isInPairingMode: boolean;
  /** Uniform unsigned 32-bit numbers: when it announces itself. */
  readonly random: () => number;
  /** Its person sees a short code, and accepts it. */
  readonly onShortCode: (shortCode: string) => void;
}

/**
 * The part of a simulated board that is found and paired with. Its button is pressed again and again, and its person
 * accepts every short code.
 */
export class FindableBoard {
  readonly #options: FindableBoardOptions;
  readonly #announcing: Announcing;
  #host: PairingHost | undefined;

  constructor(options: FindableBoardOptions) {
    this.#options = options;
    const { endpoint, address, mtuBytes, clock, name, random } = options;
    this.#announcing = announce(endpoint, {
      address,
      // A name is cut where it does not fit; a kind is not.
      kind: mtuBytes >= ANNOUNCEMENT_BYTES + BOARD_KIND.length ? BOARD_KIND : "",
      name,
      takesProtectedSessions: mtuBytes >= PROTECTED_MTU_MIN,
      clock,
      random,
    });
    if (mtuBytes < PAIRING_MTU_MIN) return;
    if (options.isInPairingMode) this.#announcing.startPairingMode(WAYS);
    const doorbell = endpoint.sessionless(SESSIONLESS_KIND.pair, () => {
      doorbell.close();
      // It hears what rang, too.
      this.#host = this.#answer();
    });
  }

  close(): void {
    this.#announcing.close();
    this.#host?.close();
  }

  /** Only now: the secret of a claim code takes a tenth of a second, and there may be a thousand boards. */
  #answer(): PairingHost {
    const { endpoint, address, clock, name, ring, isInPairingMode } = this.#options;
    const claim = claimSecretSync(inventedClaimCode(address));
    const host = new PairingHost(endpoint, { claim, clock, name, ring });
    if (isInPairingMode) void this.#keepOpen(host);
    return host;
  }

  async #keepOpen(host: PairingHost): Promise<void> {
    const { onShortCode } = this.#options;
    const confirm = async (shortCode: string) => {
      onShortCode(shortCode);
      return true;
    };
    try {
      for (;;) await host.openMode({ ways: WAYS, durationUs: MODE_US, confirm });
    } catch (error) {
      if (error instanceof PairingError && error.code === "time-over") void this.#keepOpen(host);
      // Any other end is that of the board.
    }
  }
}
