import { Endpoint } from "@fardel/core";
import {
  type LossyLink,
  Medium,
  type MediumSettings,
  presets,
  Random,
  VirtualClock,
} from "@fardel/lossy-link";
import { type AnnounceOptions, type Announcing, announce } from "./announce.js";
import { discover } from "./discover.js";
import { boardAddress } from "./sample-announcement.js";

/** A board of the orchard. */
export interface OrchardBoard {
  readonly link: LossyLink;
  readonly endpoint: Endpoint;
  readonly announcing: Announcing;
}

/** A gateway and boards on one simulated medium, for tests. */
export interface Orchard {
  readonly clock: VirtualClock;
  readonly medium: Medium;
  readonly random: () => number;
  readonly gateway: Endpoint;
  readonly gatewayLink: LossyLink;
  readonly boards: readonly OrchardBoard[];
}

/** How an orchard is made. */
export interface OrchardOptions extends MediumSettings {
  readonly boards: number;
  readonly seed?: number;
  /** What board number so-and-so says of itself. */
  readonly facts?: (number: number) => AnnounceOptions;
  readonly radioChannel?: (number: number) => number;
}

/** Opens everybody, and waits until the boards have announced themselves. */
export async function openOrchard(options: OrchardOptions): Promise<Orchard> {
  const { boards: count, seed = 1, facts, radioChannel, ...settings } = options;
  const clock = new VirtualClock();
  const medium = new Medium({ ...presets.contention(), ...settings, clock, seed });
  const stream = new Random(`orchard/${seed}`);
  const random = () => stream.uint32();
  const gatewayLink = medium.attach({
    address: Uint8Array.of(2, 0, 0, 0, 0, 1),
    ...(radioChannel && { radioChannel: 1 }),
  });
  const gateway = await Endpoint.open({ link: gatewayLink, clock });
  const boards: OrchardBoard[] = [];
  for (let number = 0; number < count; number++) {
    const address = boardAddress(number);
    const link = medium.attach({
      address,
      ...(radioChannel && { radioChannel: radioChannel(number) }),
    });
    const endpoint = await Endpoint.open({ link, clock });
    const told = facts?.(number) ?? { kind: "row-station", name: `row ${number}` };
    boards.push({ link, endpoint, announcing: announce(endpoint, { ...told, clock, random }) });
  }
  await clock.run({ untilUs: 2_000_000 });
  return { clock, medium, random, gateway, gatewayLink, boards };
}

/** What a search for all boards of an orchard came to. */
export interface OrchardSearch {
  readonly found: number;
  /** Until the last of them was found, and until the search ended, microseconds. */
  readonly foundUs: number;
  readonly endUs: number;
  /** For which the air was busy meanwhile, microseconds. */
  readonly airtimeUs: number;
  /** Put on air meanwhile, repetitions by the link included. */
  readonly frames: number;
}

/** Looks for all boards of a new orchard, which say nothing by themselves meanwhile. */
export async function searchOrchard(options: OrchardOptions): Promise<OrchardSearch> {
  const { clock, medium, random, gateway } = await openOrchard(options);
  const startUs = clock.nowUs();
  const before = medium.statistics;
  let foundUs = 0;
  let found: number | undefined;
  const onFound = () => {
    foundUs = clock.nowUs() - startUs;
  };
  void discover(gateway, { clock, random, onFound })
    .all()
    .then(({ length }) => {
      found = length;
    });
  await clock.run({ until: () => found !== undefined });
  const after = medium.statistics;
  return {
    found: found ?? 0,
    foundUs,
    endUs: clock.nowUs() - startUs,
    airtimeUs: after.airtimeUs - before.airtimeUs,
    frames: after.carried.datagrams - before.carried.datagrams,
  };
}
