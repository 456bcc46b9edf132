import type { Clock } from "../clock.js";
import {
  type ConformanceFactory,
  type ConformanceSetup,
  type LinkCheckResult,
  LinkConformanceError,
  linkConformance,
} from "../conformance.js";
import type { Address, DatagramInfo, Link, LinkHandlers, SendOutcome } from "../link.js";

// How the tests of the conformance suite make links with one fault each. Part of no entry.

/** A clock that a test moves. */
interface MovableClock extends Clock {
  run(options: { readonly untilUs: number }): Promise<unknown>;
  delay(durationUs: number): Promise<void>;
}

interface SimulatedLink extends Link {
  readonly localAddress: Address;
  airtimeUs(datagramBytes: number): number;
  restartRadio(deafUs: number): void;
}

/** A simulated medium without loss; tests make it of the lossy link, which core does not depend on. */
export interface Simulation {
  readonly clock: MovableClock;
  attach(address: Address): SimulatedLink;
}

/** @param outstandingMax - places in the queue of each link */
export type Simulate = (outstandingMax: number) => Simulation;

/** The check that it fails, how it is broken, the fault. */
export type BrokenLink = readonly [check: string, how: string, change: Change];

type Done = (outcome: SendOutcome) => void;

/** What a broken adapter gets to break. */
export interface Parts {
  readonly inner: Link & { readonly localAddress: Address };
  readonly clock: MovableClock;
  /** Handlers of all stations that are open, by the text of their address. */
  readonly open: Map<string, LinkHandlers>;
}

/** A link with some of its members replaced. */
export type Change = (parts: Parts) => Partial<Link>;

/** Places in the queue of each link. */
const PLACES = 4;
export const BROADCAST = new Uint8Array(6).fill(0xff);
export const addressOf = (last: number) => Uint8Array.of(2, 0, 0, 0, 0, last);

/** Three stations on one lossless medium, each of them changed in the same way. */
export function changed(simulate: Simulate, change: Change): ConformanceFactory {
  return (): ConformanceSetup => {
    const { clock, attach } = simulate(PLACES);
    const open = new Map<string, LinkHandlers>();
    const stations = [1, 2, 3].map((last) => attach(addressOf(last)));
    const [a, b, c] = stations.map((inner) => {
      const link: Parts["inner"] = {
        mtuBytes: inner.mtuBytes,
        outstandingMax: PLACES,
        localAddress: inner.localAddress,
        broadcastAddress: BROADCAST,
        airtimeUs: (bytes) => inner.airtimeUs(bytes),
        open: (handlers) => {
          open.set(String(inner.localAddress), handlers);
          inner.open(handlers);
        },
        send: (to, datagram, done) => inner.send(to, datagram, done),
        close: () => {
          open.delete(String(inner.localAddress));
          inner.close();
        },
      };
      const changes = change({ inner: { ...link }, clock, open });
      return Object.defineProperties(link, Object.getOwnPropertyDescriptors(changes));
    }) as [Link, Link, Link];
    const advance = (us: number) => clock.run({ untilUs: clock.nowUs() + us });
    return {
      a,
      b,
      c,
      addressA: addressOf(1),
      addressB: addressOf(2),
      addressC: addressOf(3),
      advance,
      takeDownA: () => stations[0]?.restartRadio(1_000_000),
      bringUpA: () => advance(1_000_000),
    };
  };
}

export const sendBy =
  (send: (parts: Parts, to: Address, datagram: Uint8Array, done: Done) => void): Change =>
  (parts) => ({ send: (to, datagram, done) => send(parts, to, datagram, done) });

export const receiveBy =
  (
    receive: (
      handlers: LinkHandlers,
      from: Address,
      datagram: Uint8Array,
      info: DatagramInfo,
      parts: Parts,
    ) => void,
  ): Change =>
  (parts) => ({
    open: (handlers) =>
      parts.inner.open({
        ...handlers,
        onDatagram: (...args) => receive(handlers, ...args, parts),
      }),
  });

export const soon = (clock: MovableClock, run: () => void, afterUs = 0) =>
  clock.setTimer(clock.nowUs() + afterUs, run);
export const isKnown = (to: Address) => (to[5] as number) <= 3 || isBroadcast(to);
export const isBroadcast = (to: Address) => to.every((byte) => byte === 0xff);

/** Knows whether its owner has opened and closed it. */
export const withPhase =
  (
    send: (
      parts: Parts,
      phase: () => string,
      to: Address,
      datagram: Uint8Array,
      done: Done,
    ) => void,
  ): Change =>
  (parts) => {
    let phase = "new";
    return {
      open: (handlers) => {
        phase = "open";
        return parts.inner.open(handlers);
      },
      close: () => {
        phase = "closed";
        return parts.inner.close();
      },
      send: (to, datagram, done) => send(parts, () => phase, to, datagram, done),
    };
  };

/** The results of all checks, whether or not any failed. */
export async function resultsOf(factory: ConformanceFactory): Promise<readonly LinkCheckResult[]> {
  try {
    return await linkConformance(factory);
  } catch (error) {
    if (error instanceof LinkConformanceError) return error.results;
    throw error;
  }
}

/** Those that failed. */
export async function failuresOf(factory: ConformanceFactory): Promise<LinkCheckResult[]> {
  return (await resultsOf(factory)).filter(({ outcome }) => outcome === "failed");
}
