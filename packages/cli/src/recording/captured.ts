import type { CapturedDatagram } from "@fardel/capture";
import type { Address } from "@fardel/core";
import type { RecordedDatagram } from "./format.js";

/** What a capture can hold; a line of JSON holds any number. */
const RSSI_DBM_MAX = 327;

/** A recorded datagram as a capture has it. @param local - address of the side that recorded */
export function captured(
  { peer, to, rssiDbm, ...datagram }: RecordedDatagram,
  local: Address | undefined,
): CapturedDatagram {
  const isSent = datagram.direction === "sent";
  const other = datagram.direction === "overheard" ? to : local;
  const ends = isSent
    ? { to: peer, ...(local && { from: local }) }
    : { from: peer, ...(other && { to: other }) };
  const isSignal = rssiDbm !== undefined && Math.abs(rssiDbm) <= RSSI_DBM_MAX;
  return { ...datagram, ...ends, ...(isSignal && { rssiDbm }) };
}

/** @returns `undefined` if the capture does not say who was at the other side */
export function recorded({
  from,
  to,
  ...datagram
}: CapturedDatagram): RecordedDatagram | undefined {
  const { comment: _, ...facts } = datagram;
  const peer = datagram.direction === "sent" ? to : from;
  if (!peer) return undefined;
  return { ...facts, peer, ...(datagram.direction === "overheard" && to && { to }) };
}
