import { createHash } from "node:crypto";
import { Endpoint, type Link, type Way } from "@fardel/core";
import { type Impairments, lossyPair, presets, VirtualClock } from "@fardel/lossy-link";
import type { CapturedDatagram } from "../src/captured.js";
import { readCapture } from "../src/reader.js";
import { recordLink } from "../src/record-link.js";
import { ReplayLink } from "../src/replay/replay-link.js";
import { writeCapture } from "../src/writer.js";

/** For tests: two stations on a bad channel, recorded, and what comes out when that is played. */

export const WAYS: readonly Way[] = ["ordered", "unordered", "latest", "unacknowledged"];
const HOUR_US = 3600e6;
const digest = (bytes: Uint8Array) => createHash("sha256").update(bytes).digest("hex");

/** Something that an application does. */
export interface Deed {
  readonly atMs: number;
  readonly side: "a" | "b";
  /** `drop`: closes a session that is not verified too; nobody is told of that. */
  readonly what: "send" | "close" | "drop" | "restart";
  readonly way: Way;
  readonly channel: number;
  readonly size: number;
}

export type Faults = Impairments & { readonly seed: number };

/** One side: each of its incarnations is recorded for itself. */
export interface Side {
  endpoint: Endpoint;
  readonly incarnations: {
    readonly datagrams: CapturedDatagram[];
    readonly messages: string[];
    readonly link: Link;
    readonly startUs: number;
  }[];
}

export function listen(endpoint: Endpoint, messages: string[]): void {
  endpoint.onMessage(({ way, channel, bytes }) =>
    messages.push(`${way} ${channel} ${bytes.length} bytes ${digest(bytes)}`),
  );
}

/** Two stations on a bad channel; both are recorded. */
export async function run(deeds: readonly Deed[], faults: Faults) {
  const clock = new VirtualClock();
  const { a, b, medium } = lossyPair({ ...presets.reference(), clock, ...faults });
  const addresses = { a: a.localAddress, b: b.localAddress };
  let draws = faults.seed;
  const random = () => {
    draws = (Math.imul(draws, 1_664_525) + 1_013_904_223) >>> 0;
    return (draws ^ (draws >>> 15)) >>> 0;
  };
  const open = async (side: Side | undefined, link: Link): Promise<Side> => {
    const incarnation = { datagrams: [], messages: [], link, startUs: clock.nowUs() };
    const { datagrams, messages }: Side["incarnations"][number] = incarnation;
    const recorded = recordLink(link, clock, (datagram) => datagrams.push(datagram));
    const endpoint = await Endpoint.open({ link: recorded, clock, random });
    listen(endpoint, messages);
    const next = side ?? { endpoint, incarnations: [] };
    next.endpoint = endpoint;
    next.incarnations.push(incarnation);
    return next;
  };
  const sides = { a: await open(undefined, a), b: await open(undefined, b) };
  let marker = 0;
  for (const { atMs, side, what, way, channel, size } of deeds) {
    await clock.run({ untilUs: Math.max(clock.nowUs(), atMs * 1000) });
    const { endpoint } = sides[side];
    const peer = endpoint.peer(addresses[side === "a" ? "b" : "a"]);
    if (what === "send") {
      const bytes = Uint8Array.from({ length: size }, (_, index) => index * 7 + marker);
      marker++;
      peer.send(bytes, { way, channel, deadlineMs: 60_000 }).catch(() => {});
    } else if (what === "drop" || what === "close") {
      if (what === "drop" || peer.report()?.phase === "open") peer.close();
    } else {
      await endpoint.close();
      const link = medium.attach({ address: addresses[side] });
      await open(sides[side], link);
    }
  }
  await clock.run({ untilUs: clock.nowUs() + 120e6 });
  return Object.values(sides).flatMap(({ incarnations }) => incarnations);
}

export async function replay({ datagrams, link }: Side["incarnations"][number]) {
  const clock = new VirtualClock();
  const head = {
    link: "test",
    mtuBytes: link.mtuBytes,
    startedAt: new Date(0),
    ...(link.localAddress && { localAddress: link.localAddress }),
  };
  const replayed = new ReplayLink(readCapture(writeCapture(head, datagrams)), { clock });
  const messages: string[] = [];
  const endpoint = await Endpoint.open({ link: replayed, clock, random: replayed.random });
  listen(endpoint, messages);
  await clock.run({ untilUs: HOUR_US });
  await endpoint.close();
  return { messages, link: replayed };
}
