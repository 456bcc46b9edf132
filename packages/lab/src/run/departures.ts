import { readDatagram } from "@fardel/core/wire";
import { toHex } from "./hex.js";
import type { End, Sighting } from "./recording.js";

/** A datagram of a recording, and when it left at the latest. */
export interface Departure {
  readonly sighting: Sighting;
  leftUs: number;
  /** Which of those that left at one instant goes first: the place in the recording that it has to be before. */
  place: number;
  /** In its sender's count, which goes on where 16 bits end; `undefined`: it cannot be read. */
  readonly number: number | undefined;
}

/** How far numbers can lie apart in one session (PROTOCOL.md, section 2.3); farther is another one. */
const REACH = 1_024;

/** What is known of the numbers of one sender. */
interface Way {
  readonly departures: Departure[];
  /** The number of the last datagram. */
  number: number | undefined;
}

/**
 * When datagrams left: a recording tells of one that was received only when it arrived. A sender
 * numbers its datagrams in the order in which they leave, so what came later than one with a higher
 * number was held up: it left before that one arrived.
 *
 * @returns in the order in which they left
 */
export function departuresOf(sightings: readonly Sighting[]): Departure[] {
  const ways = new Map<string, Way>();
  const departures = sightings.map((sighting, place) => {
    const low = sighting.fate === "corrupted" ? undefined : numberIn(sighting.bytes);
    if (low === undefined) return { sighting, leftUs: sighting.atUs, place, number: undefined };
    const key = `${nameOf(sighting.from)} ${nameOf(sighting.to)}`;
    const way = ways.get(key) ?? { departures: [], number: undefined };
    ways.set(key, way);
    return enter(way, sighting, place, low);
  });
  for (const way of ways.values()) bringForward(way);
  return departures.sort(
    (one, other) =>
      one.leftUs - other.leftUs ||
      one.place - other.place ||
      (one.number ?? 0) - (other.number ?? 0),
  );
}

function enter(way: Way, sighting: Sighting, place: number, low: number): Departure {
  const before = way.number ?? low;
  const ahead = ((low - (before & 0xffff)) << 16) >> 16;
  if (Math.abs(ahead) > REACH) {
    bringForward(way);
    way.departures.length = 0;
  }
  // Never below what was: the numbers of a new session count on from the old one's.
  const number = Math.abs(ahead) > REACH ? nextEpoch(before, low) : before + ahead;
  way.number = number;
  const departure = { sighting, leftUs: sighting.atUs, place, number };
  way.departures.push(departure);
  return departure;
}

function nextEpoch(before: number, low: number): number {
  return (Math.floor(before / 65_536) + 2) * 65_536 + low;
}

/** None leaves after one with a higher number. */
function bringForward({ departures }: Way): void {
  const byNumber = [...departures].sort((one, other) => (other.number ?? 0) - (one.number ?? 0));
  let earliest: Departure | undefined;
  let earliestAbove: Departure | undefined;
  let number: number | undefined;
  for (const departure of byNumber) {
    // Copies of one datagram do not hold each other up.
    if (departure.number !== number) earliestAbove = earliest;
    number = departure.number;
    if (earliestAbove !== undefined && isAfter(departure, earliestAbove)) {
      departure.leftUs = earliestAbove.leftUs;
      departure.place = earliestAbove.place;
    }
    if (earliest === undefined || !isAfter(departure, earliest)) earliest = departure;
  }
}

function isAfter(one: Departure, other: Departure): boolean {
  return one.leftUs > other.leftUs || (one.leftUs === other.leftUs && one.place > other.place);
}

function numberIn(bytes: Uint8Array): number | undefined {
  const head = readDatagram(bytes)?.head;
  if (head === undefined) return undefined;
  return head.form === "long" ? head.number & 0xffff : head.numberLow;
}

function nameOf(end: End): string {
  return end === undefined || end === "here" ? String(end) : toHex(end);
}
