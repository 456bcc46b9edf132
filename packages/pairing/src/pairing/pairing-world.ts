import { Endpoint } from "@fardel/core";
import { Medium, type MediumSettings, presets, VirtualClock } from "@fardel/lossy-link";
import { KeyRing } from "../keys/key-ring.js";
import type { PairingError } from "../pairing-error.js";
import { claimSecretSync } from "./claim-code.js";
import { type PairOptions, pair } from "./pair.js";
import { openPairingMode } from "./pairing-host.js";
import type { PairingWay } from "./way.js";

export const S = 1_000_000;
export const ADDRESSES = [10, 11, 12].map((last) => Uint8Array.of(2, 0, 0, 0, 0, last));
export const BOARD = ADDRESSES[1]!;
/** Computed once: it takes a tenth of a second. */
export const CODE = "7K3VD-Q0ZXA";
export const CLAIM = claimSecretSync(CODE);

interface Station {
  readonly endpoint: Endpoint;
  readonly ring: KeyRing;
}

/** For tests: a gateway, a board and another gateway on one medium, each with a key ring. */
export async function openAll(settings: MediumSettings = {}) {
  const clock = new VirtualClock();
  const medium = new Medium({ ...presets.reference(), clock, seed: 4, ...settings });
  const stations: Station[] = [];
  for (const address of ADDRESSES) {
    const ring = new KeyRing();
    const link = medium.attach({ address });
    stations.push({ endpoint: await Endpoint.open({ link, clock, protection: ring }), ring });
  }
  const [gateway, board, other] = stations as [Station, Station, Station];
  return { clock, medium, gateway, board, other };
}

export type World = Awaited<ReturnType<typeof openAll>>;

/** What a promise came to, when virtual time has run until all have. */
export async function outcomes<T>(clock: VirtualClock, ...promises: Promise<T>[]) {
  let left = promises.length;
  const results = promises.map((promise) =>
    promise
      .then(
        (value) => ({ value, code: undefined, error: undefined }),
        (error: PairingError) => ({ value: undefined, code: error.code, error }),
      )
      .finally(() => {
        left--;
        clock.wakeWaiters();
      }),
  );
  await clock.run({ until: () => left === 0, untilUs: clock.nowUs() + 4000 * S });
  return Promise.all(results);
}

/** A person who does not look. */
export const yes = async () => true;

/** The gateway pairs with the board. */
export function pairWith(
  { gateway, clock }: World,
  way: PairingWay,
  more: Partial<PairOptions> = {},
) {
  const { ring, endpoint } = gateway;
  const given = { way, ring, clock, name: "gateway", claim: CLAIM, confirm: yes, ...more };
  return pair(endpoint, BOARD, given);
}

/** The board takes one pairing. */
export function takeOne({ board, clock }: World, ...ways: ("cable" | "code" | "compare")[]) {
  const { ring, endpoint } = board;
  const given = { ring, clock, name: "row 4", claim: CLAIM, ways, confirm: yes };
  return openPairingMode(endpoint, given);
}

/** Whether a message gets through, and nothing of it in plain. */
export async function canTalk({ gateway, board, clock, medium }: World): Promise<boolean> {
  const text = new TextEncoder().encode("frost below two degrees");
  let isPlain = false;
  const stop = medium.observe(({ datagram }) => {
    isPlain ||= Buffer.from(datagram ?? []).includes(Buffer.from(text));
  });
  let isReceived = false;
  board.endpoint.onMessage(({ bytes }) => {
    isReceived ||= Buffer.compare(bytes, text) === 0;
  });
  const sending = gateway.endpoint.peer(BOARD).send(text, { deadlineMs: 20_000 });
  const [sent] = await outcomes(clock, sending);
  stop();
  return isReceived && sent?.error === undefined && !isPlain;
}
