import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { SORT_KEYS } from "../commands/monitor-view.js";
import { count } from "../format.js";
import { datagramWords, FRAME_NAMES } from "./datagram-words.js";
import { LINE_BYTES_MAX, RECORDING_VERSION } from "./format.js";
import { type RecordingItem, readRecording } from "./reader.js";
import { FILE_BYTES_MAX, PENDING_BYTES_MAX } from "./writer.js";

const MIB = 1024 * 1024;
const DOCUMENT = readFileSync(new URL("../../TRACE.md", import.meta.url), "utf8");

async function* once(text: string) {
  yield Buffer.from(text);
}

describe("TRACE.md", () => {
  it("shows a recording that can be read, every line of it", async () => {
    const example = /```jsonl\n([^`]+)```/.exec(DOCUMENT)?.[1] ?? "";
    const recording = await readRecording(once(example), "TRACE.md");
    const items: RecordingItem[] = [];
    for await (const item of recording.items()) items.push(item);
    expect(items.map(({ type }) => type)).toEqual(["datagram", "datagram", "dropped"]);
    for (const item of items) {
      if (item.type !== "datagram") continue;
      expect(datagramWords(item.datagram.bytes).names.has("unreadable")).toBe(false);
    }
  });

  it("names every frame that can be asked for, and every order of a monitor", () => {
    for (const name of [...FRAME_NAMES, ...SORT_KEYS]) expect(DOCUMENT).toContain(`\`${name}\``);
  });

  it("has the limits of the code", () => {
    expect(DOCUMENT).toContain(`- ${count(LINE_BYTES_MAX)} bytes is the longest line`);
    expect(DOCUMENT).toContain(`\`version\` is ${RECORDING_VERSION}`);
    expect(DOCUMENT).toContain(`- ${PENDING_BYTES_MAX / MIB} MiB wait for the disk.`);
    expect(DOCUMENT).toContain(`- ${FILE_BYTES_MAX / MIB / 1024} GiB is the largest file.`);
  });
});
