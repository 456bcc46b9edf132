import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { Problem } from "../problem.js";
import { encodeDatagram, encodeHead, encodeLoss, type RecordedDatagram } from "./format.js";
import { type RecordingItem, readRecording } from "./reader.js";

const HEAD = encodeHead({
  mtuBytes: 250,
  startedAt: new Date("2026-04-18T03:20:00Z"),
  link: "lossy:",
});
const DATAGRAM: RecordedDatagram = {
  atUs: 5,
  direction: "received",
  peer: Uint8Array.of(1),
  bytes: Uint8Array.of(2, 3),
};
const GOOD = encodeDatagram(DATAGRAM);

async function* once(bytes: Uint8Array) {
  yield bytes;
}

async function read(content: string | Uint8Array): Promise<RecordingItem[]> {
  const bytes = typeof content === "string" ? Buffer.from(content) : content;
  const recording = await readRecording(once(bytes), "night.jsonl");
  const items: RecordingItem[] = [];
  for await (const item of recording.items()) items.push(item);
  return items;
}

describe("readRecording", () => {
  it("gives head, datagrams and holes in their order", async () => {
    const recording = await readRecording(once(Buffer.from(HEAD)), "night.jsonl");
    expect(recording.head).toMatchObject({ mtuBytes: 250, link: "lossy:" });
    const loss = { atUs: 6, dropped: 3 };
    await expect(read(`${HEAD}${GOOD}\n${encodeLoss(loss)}${GOOD}`)).resolves.toEqual([
      { type: "datagram", line: 2, datagram: DATAGRAM },
      { type: "dropped", line: 4, loss },
      { type: "datagram", line: 5, datagram: DATAGRAM },
    ]);
  });

  it("names damaged lines and goes on behind them", async () => {
    const huge = "x".repeat(300_000);
    const binary = Buffer.from([0xff, 0x00, 0x80, 0x0a]);
    const content = [HEAD, "{}\n", GOOD, `${huge}\n`, binary, GOOD.replace("0203", "02z3"), GOOD];
    const items = await read(Buffer.concat(content.map((part) => Buffer.from(part))));
    expect(items.map((item) => `${item.type} ${"line" in item && item.line}`)).toEqual([
      "damaged 2",
      "datagram 3",
      "damaged 4",
      "damaged 5",
      "damaged 6",
      "datagram 7",
    ]);
    expect(items[2]).toMatchObject({ why: "it is longer than 262144 bytes" });
    expect(items[4]).toMatchObject({ why: expect.stringContaining("bytes is not hexadecimal") });
  });

  it("takes the line of a process that was killed for cut, wherever it was cut", async () => {
    for (let length = 1; length < GOOD.length - 1; length++) {
      const items = await read(HEAD + GOOD + GOOD.slice(0, length));
      expect(items.map(({ type }) => type)).toEqual(["datagram", "cut"]);
    }
    // Only its line end is missing: nothing is lost.
    const items = await read(HEAD + GOOD + GOOD.trimEnd());
    expect(items.map(({ type }) => type)).toEqual(["datagram", "datagram"]);
  });

  it.each([
    ["", "it is empty"],
    ["\n", "it does not begin like a recording"],
    [HEAD.replace('"version":1', '"version":7'), "version 7"],
    ["x".repeat(300_000), "longer than"],
    [Uint8Array.of(0x0a, 0x0d, 0x0d, 0x0a, 0x1c, 0, 0, 0), "holds no link that was recorded"],
    [Uint8Array.of(0x1f, 0x8b, 8, 0, 0x0a), "not UTF-8"],
  ])("refuses what is no recording: %#", async (content, word) => {
    const error = await read(content).catch((caught: unknown) => caught);
    expect(error).toBeInstanceOf(Problem);
    expect(error).toMatchObject({ code: "not-a-recording", exitCode: 2 });
    expect(String(error)).toContain(word);
    expect(String(error)).toContain("night.jsonl");
  });

  it("survives any bytes behind the head", async () => {
    const anyBytes = fc.oneof(
      fc.uint8Array({ maxLength: 400 }),
      fc
        .array(fc.constantFrom(...'{}[]":,\n0\\u'), { maxLength: 200 })
        .map((characters) => new TextEncoder().encode(characters.join(""))),
    );
    await fc.assert(
      fc.asyncProperty(anyBytes, async (bytes) => {
        const items = await read(
          Buffer.concat([Buffer.from(HEAD + GOOD), bytes, Buffer.from(`\n${GOOD}`)]),
        );
        expect(items[0]).toMatchObject({ type: "datagram", line: 2 });
        expect(items.at(-1)).toMatchObject({ type: "datagram" });
        for (const { type } of items) expect(["datagram", "dropped", "damaged"]).toContain(type);
      }),
    );
  });

  it("hands on what the input throws", async () => {
    async function* broken() {
      yield Buffer.from(HEAD);
      throw new Error("the disk is gone");
    }
    const recording = await readRecording(broken(), "night.jsonl");
    const all = async () => {
      for await (const _ of recording.items());
    };
    await expect(all()).rejects.toThrow("the disk is gone");
  });
});
