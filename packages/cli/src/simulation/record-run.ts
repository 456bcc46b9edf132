import type { Observation } from "@fardel/lossy-link";
import type { Context } from "../context.js";
import type { RecordedDatagram } from "../recording/format.js";
import { createRecording } from "../recording/observation.js";
import type { RecordingWriter } from "../recording/writer.js";
import type { Case } from "../scenario/cases.js";

/** Virtual time does not wait for a disk. */
const PENDING_BYTES_MAX = 256 * 1024 * 1024;

/**
 * A recording of one run, from the first instant of virtual time on.
 * @param name - of the scenario
 */
export function recordRun(
  path: string,
  { number, link: { mtuBytes } }: Case,
  seed: number,
  name: string,
  context: Context,
): Promise<RecordingWriter> {
  const link = `simulate ${name}, case ${number}, seed ${seed}`;
  const head = { mtuBytes, startedAt: context.today(), link };
  return createRecording(path, head, context, { pendingBytesMax: PENDING_BYTES_MAX });
}

/** What befell a datagram on the medium: on the air of everybody it was overheard. */
export function datagramOf(observation: Observation): RecordedDatagram {
  const { leftAtUs, deliveredAtUs, from, to, datagram, fate, copy } = observation;
  return {
    atUs: deliveredAtUs ?? leftAtUs,
    direction: "overheard",
    peer: from,
    to,
    bytes: datagram,
    fate: copy ? `${fate}, copy` : fate,
  };
}
