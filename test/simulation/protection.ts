import type { PairKey, Protection } from "@fardel/core";
import type { BoardKey, BoardKeys } from "../../packages/board-c/test/board-endpoint.js";
import { isProtected } from "../../packages/core/src/wire/head.js";
import { OpenSslPairKey } from "../openssl-pair-key.js";
import { BrokenPromise } from "./oracle.js";
import type { Scenario } from "./scenario.js";

/** Smallest MTU of a protected session; PROTOCOL.md, section 17. */
const MTU_BYTES_MIN = 48;
const TAG_BYTES = 8;
/** Plain texts that are remembered until their datagrams leave. */
const REMEMBERED_MAX = 4096;

/**
 * The keys of all stations of a run, each pair's its own. Sees what is encrypted: no nonce may come twice with a key,
 * and whoever looks for messages in datagrams gets them in plain.
 */
export class Keys {
  readonly #nonces = new Map<string, string>();
  /** Plain text by tag. */
  readonly #plain = new Map<string, Uint8Array>();

  constructor(readonly seed: number) {}

  /** What one station keeps, over all its boots. Strangers have no keys. */
  ringOf(own: number, stationAt: (address: Uint8Array) => number): Protection {
    return {
      keysFor: eachOnce(stationAt, (other) => this.#keyOf(own, other)),
      noteRight: () => {},
      watch: () => {},
    };
  }

  /** The same for a station that runs the endpoint in C. */
  boardKeysOf(own: number, stationAt: (address: Uint8Array) => number): BoardKeys {
    return {
      keysFor: eachOnce(stationAt, (other) => this.#secretOf(own, other)),
      noteSealed: (keyAndNonce, plain, sealed) => {
        this.#witness(keyAndNonce, plain);
        this.#remember(sealed, plain);
      },
    };
  }

  /** A datagram as it was before it was encrypted. */
  unveil(datagram: Uint8Array): Uint8Array {
    return (isProtected(datagram) && this.#plain.get(tagOf(datagram))) || datagram;
  }

  #secretOf(own: number, other: number): BoardKey {
    const secret = new Uint8Array(32);
    const view = new DataView(secret.buffer);
    view.setUint32(0, this.seed >>> 0);
    view.setUint32(4, Math.min(own, other));
    view.setUint32(8, Math.max(own, other));
    return { secret, side: own < other ? 0 : 1 };
  }

  #keyOf(own: number, other: number): PairKey {
    const { secret, side } = this.#secretOf(own, other);
    const key = new OpenSslPairKey(secret, side, (keyAndNonce, datagram) =>
      this.#witness(keyAndNonce, datagram),
    );
    return {
      directionKey: (isOwn, from, to) => {
        const direction = key.directionKey(isOwn, from, to);
        return {
          open: direction.open,
          seal: (bytes, headBytes, end, nonce) => {
            const plain = bytes.slice(0, end);
            direction.seal(bytes, headBytes, end, nonce);
            this.#remember(bytes.subarray(0, end + TAG_BYTES), plain);
          },
        };
      },
    };
  }

  #witness(keyAndNonce: string, datagram: Uint8Array): void {
    const text = Buffer.from(datagram).toString("hex");
    if ((this.#nonces.get(keyAndNonce) ?? text) !== text)
      throw new BrokenPromise(`A nonce was used twice: ${keyAndNonce}.`);
    this.#nonces.set(keyAndNonce, text);
  }

  #remember(datagram: Uint8Array, plain: Uint8Array): void {
    if (this.#plain.size >= REMEMBERED_MAX) this.#plain.clear();
    this.#plain.set(tagOf(datagram), plain);
  }
}

/** The one key for each station, made when it is first asked for; none for strangers. */
function eachOnce<T>(
  stationAt: (address: Uint8Array) => number,
  make: (station: number) => T,
): (address: Uint8Array) => readonly T[] {
  const made = new Map<number, readonly T[]>();
  return (address) => {
    const other = stationAt(address);
    if (other < 0) return [];
    const keys = made.get(other) ?? [make(other)];
    made.set(other, keys);
    return keys;
  };
}

function tagOf(datagram: Uint8Array): string {
  return String(datagram.subarray(datagram.length - TAG_BYTES));
}

/** The scenario with datagrams that are large enough for protected sessions. */
export function scenarioForKeys(scenario: Scenario): Scenario {
  const atLeast = (mtuBytes: number) => Math.max(MTU_BYTES_MIN, mtuBytes);
  const { medium, stations } = scenario;
  return {
    ...scenario,
    medium: {
      ...medium,
      ...(medium.mtuBytes !== undefined && { mtuBytes: atLeast(medium.mtuBytes) }),
    },
    stations: stations.map((plan) => ({ ...plan, mtuBytes: atLeast(plan.mtuBytes) })),
  };
}
