import { type CaptureDirection, type CapturedDatagram, writeCapture } from "@fardel/capture";
import { fromHex } from "./hex.js";
import { FATE_NAMES, type RunRecord } from "./record.js";

/** Marks the second delivery of one datagram. */
export const COPY_COMMENT = "copy";
const MTU_BYTES_MIN = 20;

/**
 * A record as a capture, seen from the gateway: what it sent, what it received, and as overheard what
 * it did not. Each datagram with its fate. The time of one that arrived is that of its arrival, of
 * any other that when it left the air.
 *
 * @param startedAt - date of instant 0; the same for the same record unless it is told
 * @throws CaptureError - a record from a recording may hold what the format does not
 */
export function recordToCapture(record: RunRecord, startedAt = new Date(0)): Uint8Array {
  const { settings, stations, datagrams } = record;
  const addresses = stations.map(({ address }) => fromHex(address.replaceAll(":", "")));
  const { startUs, leftUs, arrivedUs, from, to, fate, isCopy, rssiDbm, byteFrom, bytes } =
    datagrams;
  const captured: CapturedDatagram[] = [];
  for (let row = 0; row < startUs.length; row++) {
    const isThere = !Number.isNaN(arrivedUs[row]!);
    const direction = directionOf(from[row]!, to[row]!, isThere);
    const fateName = FATE_NAMES[fate[row]!]!;
    const sender = addresses[from[row]!];
    const receiver = addresses[to[row]!];
    captured.push({
      atUs: Math.round(isThere ? arrivedUs[row]! : leftUs[row]!),
      direction,
      ...(sender?.length && { from: sender }),
      ...(receiver?.length && { to: receiver }),
      bytes: bytes.subarray(byteFrom[row], byteFrom[row + 1]),
      ...(direction === "sent" && { outcome: "sent" as const }),
      ...(fateName !== "pending" && { fate: fateName }),
      ...(!Number.isNaN(rssiDbm[row]!) && { rssiDbm: rssiDbm[row]! }),
      ...(isCopy[row] === 1 && { comment: COPY_COMMENT }),
    });
  }
  captured.sort((one, other) => one.atUs - other.atUs);
  const gateway = addresses[0];
  const largest = captured.reduce((most, each) => Math.max(most, each.bytes.length), MTU_BYTES_MIN);
  return writeCapture(
    {
      link: settings === undefined ? "recording" : `lab, simulated, seed ${settings.seed}`,
      mtuBytes: settings?.datagramBytes ?? largest,
      startedAt,
      ...(gateway?.length && { localAddress: gateway }),
    },
    captured,
  );
}

/** From the gateway's side. */
function directionOf(from: number, to: number, isThere: boolean): CaptureDirection {
  if (from === 0) return "sent";
  return to === 0 && isThere ? "received" : "overheard";
}
