import type { Address } from "@fardel/core";
import { InvalidArgumentError } from "commander";
import { parseDurationUs } from "../option-values.js";
import { hex } from "../output.js";
import { datagramWords, FRAME_NAMES, type FrameName } from "../recording/datagram-words.js";
import type { RecordedDatagram } from "../recording/format.js";

/** An instant on the command line: since the start of the recording, or by date and time of day. */
export type Instant = { readonly sinceStartUs: number } | { readonly date: Date };

/** Which datagrams are shown. What is left out lets all pass. */
export interface FilterOptions {
  readonly peer?: readonly string[];
  readonly from?: Instant;
  readonly to?: Instant;
  readonly frames?: ReadonlySet<FrameName>;
}

/** `1.5s`, `2min`, or `2026-04-18T03:20:00Z`; for commander. */
export function instant(text: string): Instant {
  const sinceStartUs = text === "0" ? 0 : parseDurationUs(text);
  if (sinceStartUs !== undefined) return { sinceStartUs };
  const date = new Date(text);
  if (/^\d{4}-\d\d-\d\dT/.test(text) && !Number.isNaN(date.getTime())) return { date };
  throw new InvalidArgumentError(
    "Give a time since the start, such as 1.5s, or a date and time, such as 2026-04-18T03:20:00Z.",
  );
}

/** `data,ack`; for commander. */
export function frameSet(text: string): ReadonlySet<FrameName> {
  const names = text.split(",").map((name) => {
    const found = FRAME_NAMES.find((known) => known === name.trim().toLowerCase());
    if (found) return found;
    throw new InvalidArgumentError(`Give some of ${FRAME_NAMES.join(",")}.`);
  });
  return new Set(names);
}

/**
 * @param startedAt - date and time of instant 0
 * @param formatAddress - how addresses of this link are written; digits alone match as well
 */
export function createFilter(
  { peer, from, to, frames }: FilterOptions,
  startedAt: Date,
  formatAddress: (address: Address) => string,
): (datagram: RecordedDatagram) => boolean {
  const fromUs = from ? sinceStart(from, startedAt) : Number.NEGATIVE_INFINITY;
  const toUs = to ? sinceStart(to, startedAt) : Number.POSITIVE_INFINITY;
  const peers = peer && new Set(peer.flatMap((text) => [text.toLowerCase(), digitsOf(text)]));
  const isOne = (address: Address) =>
    peers?.has(hex(address)) || peers?.has(formatAddress(address).toLowerCase());
  return ({ atUs, peer: address, to: receiver, bytes }) =>
    atUs >= fromUs &&
    atUs <= toUs &&
    (!peers || isOne(address) || (receiver && isOne(receiver))) === true &&
    (!frames || [...datagramWords(bytes).names].some((name) => frames.has(name)));
}

function sinceStart(when: Instant, startedAt: Date): number {
  return "date" in when ? (when.date.getTime() - startedAt.getTime()) * 1000 : when.sinceStartUs;
}

/** `02:00:00:00:00:0B` and `02-00-…` as `02000000000b`. */
function digitsOf(text: string): string {
  return text.replace(/[:-]/g, "").toLowerCase();
}
