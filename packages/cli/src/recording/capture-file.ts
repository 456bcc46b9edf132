import { type CaptureItem, CaptureReader } from "@fardel/capture";
import { recorded } from "./captured.js";
import type { RecordingHead } from "./format.js";
import { notARecording, type Recording, type RecordingItem } from "./reader.js";

/**
 * Reads a pcapng file (CAPTURE.md of `@fardel/capture`). Of several links in one file all are read, on
 * the time of the first one.
 *
 * @throws Problem `not-a-recording` if there is no recorded link in it
 */
export async function readCaptureFile(
  input: AsyncIterable<Uint8Array>,
  name: string,
): Promise<Recording> {
  const items = itemsOf(input);
  const before: CaptureItem[] = [];
  for (let next = await items.next(); !next.done; next = await items.next()) {
    const { value } = next;
    if (value.type !== "head") {
      before.push(value);
      continue;
    }
    const { head } = value;
    return { head, items: () => recordingItems(head, before, items) };
  }
  throw notARecording(name, "this pcapng file holds no link that was recorded as CAPTURE.md says");
}

async function* itemsOf(
  input: AsyncIterable<Uint8Array>,
): AsyncGenerator<CaptureItem, void, undefined> {
  const reader = new CaptureReader();
  for await (const piece of input) yield* reader.push(piece);
  yield* reader.end();
}

async function* recordingItems(
  first: RecordingHead,
  before: readonly CaptureItem[],
  rest: AsyncIterable<CaptureItem>,
): AsyncGenerator<RecordingItem, void, undefined> {
  const laterUs = new Map([[0, 0]]);
  const translate = (item: CaptureItem): RecordingItem | undefined => {
    if (item.type === "head") {
      const later = item.head.startedAt.getTime() - first.startedAt.getTime();
      laterUs.set(item.recording, later * 1000);
      return undefined;
    }
    const plusUs = "recording" in item ? (laterUs.get(item.recording) ?? 0) : 0;
    return translated(item, plusUs);
  };
  for (const item of before) {
    const one = translate(item);
    if (one) yield one;
  }
  for await (const item of rest) {
    const one = translate(item);
    if (one) yield one;
  }
}

function translated(item: CaptureItem, plusUs: number): RecordingItem | undefined {
  switch (item.type) {
    case "datagram": {
      const datagram = recorded(item.datagram);
      return (
        datagram && { type: "datagram", datagram: { ...datagram, atUs: datagram.atUs + plusUs } }
      );
    }
    case "dropped":
      return { type: "dropped", loss: { atUs: item.atUs + plusUs, dropped: item.count } };
    case "fault":
      return { type: "damaged", byte: item.at, why: item.why };
    case "cut":
      return { type: "cut", byte: item.at };
    case "head":
      return undefined;
  }
}
