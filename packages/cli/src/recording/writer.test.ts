import { mkdtemp, readFile, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { Writable } from "node:stream";
import { readCapture } from "@fardel/capture";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import type { Problem } from "../problem.js";
import { encodeDatagram, encodeHead, type RecordedDatagram } from "./format.js";
import { type RecordingItem, readRecording } from "./reader.js";
import { RecordingWriter } from "./writer.js";

const HEAD = { mtuBytes: 250, startedAt: new Date("2026-04-18T03:20:00Z"), link: "lossy:" };
const LINE_BYTES = encodeDatagram(datagram(0)).length;

function datagram(index: number): RecordedDatagram {
  return {
    atUs: 1000 + index,
    direction: "received",
    peer: Uint8Array.of(2, 0, 0, 0, 0, 0x0b),
    bytes: new Uint8Array(200).fill(index),
  };
}

/** A disk that a test holds: it takes each write only when it is told to. */
class SlowDisk extends Writable {
  content = "";
  #taken: ((error?: Error) => void) | undefined;
  #isFast = false;

  override _write(bytes: Buffer, _encoding: string, taken: (error?: Error | null) => void): void {
    this.content += bytes.toString();
    if (this.#isFast) taken();
    else this.#taken = taken;
  }

  /** It fails at the write that is under way. */
  fail(error: Error): void {
    this.#taken?.(error);
  }

  takeAll(): void {
    this.#isFast = true;
    this.#taken?.();
  }
}

async function* once(content: string) {
  yield Buffer.from(content);
}

async function itemsIn(content: string): Promise<RecordingItem[]> {
  const items: RecordingItem[] = [];
  const recording = await readRecording(once(content), "test");
  for await (const item of recording.items()) items.push(item);
  return items;
}

let folder = "";
beforeEach(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-recording-"));
});
afterEach(() => rm(folder, { recursive: true }));

describe("RecordingWriter", () => {
  it("writes what the reader reads", async () => {
    const path = join(folder, "night.jsonl");
    const writer = await RecordingWriter.create(path, HEAD);
    for (let index = 0; index < 50; index++) writer.write(datagram(index));
    await writer.close();
    await writer.close();
    expect(writer).toMatchObject({ written: 50, dropped: 0, problem: undefined });
    const items = await itemsIn(await readFile(path, "utf8"));
    expect(items.map((item) => item.type === "datagram" && item.datagram)).toEqual(
      Array.from({ length: 50 }, (_, index) => datagram(index)),
    );
  });

  it("writes over nothing", async () => {
    const path = join(folder, "night.jsonl");
    await writeFile(path, "dear");
    await expect(RecordingWriter.create(path, HEAD)).rejects.toMatchObject({
      code: "file-exists",
      exitCode: 2,
    });
    await expect(readFile(path, "utf8")).resolves.toBe("dear");
    await expect(RecordingWriter.create(folder, HEAD)).rejects.toMatchObject({
      code: "file-exists",
    });
    await expect(RecordingWriter.create(join(folder, "no", "a"), HEAD)).rejects.toMatchObject({
      code: "file",
    });
  });

  it("leaves out what the disk is too slow for, holds no more than the limit, and says where", async () => {
    const disk = new SlowDisk();
    const pendingBytesMax = 10 * LINE_BYTES;
    const writer = new RecordingWriter(disk, "slow", HEAD, { pendingBytesMax });
    for (let index = 0; index < 1000; index++) {
      writer.write(datagram(index));
      expect(disk.writableLength).toBeLessThanOrEqual(pendingBytesMax);
    }
    const { written, dropped } = writer;
    expect(written).toBeGreaterThan(5);
    expect(written + dropped).toBe(1000);
    disk.takeAll();
    await new Promise((resolve) => setImmediate(resolve));
    writer.write(datagram(7));
    for (let index = 0; index < 3; index++) writer.write(datagram(8 + index));
    await writer.close();
    const items = await itemsIn(disk.content);
    expect(items).toHaveLength(written + 1 + 4);
    expect(items[written]).toEqual({
      type: "dropped",
      line: written + 2,
      loss: { atUs: 1000 + written, dropped },
    });
    expect(writer.dropped).toBe(dropped);
  });

  it("says in the last line what is missing at the end", async () => {
    const disk = new SlowDisk();
    const writer = new RecordingWriter(disk, "slow", HEAD, { pendingBytesMax: 3 * LINE_BYTES });
    for (let index = 0; index < 20; index++) writer.write(datagram(index));
    const closed = writer.close();
    disk.takeAll();
    await closed;
    expect((await itemsIn(disk.content)).at(-1)).toMatchObject({
      type: "dropped",
      loss: { dropped: writer.dropped },
    });
  });

  it("ends where the file is full, says so once, and counts the rest", async () => {
    const path = join(folder, "full.jsonl");
    const fileBytesMax = encodeHead(HEAD).length + 5 * LINE_BYTES + 64;
    const writer = await RecordingWriter.create(path, HEAD, { fileBytesMax });
    const problems: Problem[] = [];
    writer.onProblem = (problem) => problems.push(problem);
    for (let index = 0; index < 20; index++) writer.write(datagram(index));
    await writer.close();
    expect(problems.map(({ code }) => code)).toEqual(["recording-full"]);
    expect(writer).toMatchObject({ written: 5, dropped: 15 });
    const content = await readFile(path, "utf8");
    expect(content.length).toBeLessThanOrEqual(fileBytesMax);
    await expect(itemsIn(content)).resolves.toHaveLength(5);
  });

  it("writes pcapng where the name ends so, and says in it where datagrams are missing", async () => {
    const path = join(folder, "night.pcapng");
    const local = { localAddress: Uint8Array.of(2, 0, 0, 0, 0, 1) };
    const writer = await RecordingWriter.create(
      path,
      { ...HEAD, ...local },
      { pendingBytesMax: 8000 },
    );
    for (let index = 0; index < 1000; index++) writer.write(datagram(index));
    expect(writer.dropped).toBeGreaterThan(900);
    for (let index = 1000; index < 1100; index++) await writer.writeWhole(datagram(index));
    writer.noteHole({ atUs: 5000, dropped: 7 });
    await writer.close();
    const { head, datagrams, dropped, faults } = readCapture(await readFile(path));
    expect([head, faults]).toEqual([{ ...HEAD, ...local }, []]);
    expect(datagrams).toHaveLength(writer.written);
    expect(datagrams.slice(-100).map(({ atUs }) => atUs)).toEqual(
      Array.from({ length: 100 }, (_, index) => 2000 + index),
    );
    expect(datagrams[0]).toMatchObject({ from: datagram(0).peer, to: local.localAddress });
    expect(dropped).toEqual([
      { atUs: 2000, count: writer.dropped },
      { atUs: 2099, count: 7 },
    ]);
  });

  it("survives a disk that fails, says so once, and counts the rest", async () => {
    const disk = new SlowDisk();
    const writer = new RecordingWriter(disk, "card/night.jsonl", HEAD);
    const problems: Problem[] = [];
    const told = new Promise<void>((resolve) => {
      writer.onProblem = (problem) => {
        problems.push(problem);
        resolve();
      };
    });
    writer.write(datagram(0));
    disk.fail(Object.assign(new Error("no space"), { code: "ENOSPC" }));
    await told;
    for (let index = 0; index < 5; index++) writer.write(datagram(index));
    await writer.close();
    expect(problems).toHaveLength(1);
    expect(problems[0]?.message).toContain("The disk is full: card/night.jsonl");
    expect(writer).toMatchObject({ dropped: 5, problem: problems[0] });
  });

  it("says only the first thing that went wrong", async () => {
    const disk = new SlowDisk();
    const fileBytesMax = encodeHead(HEAD).length + LINE_BYTES + 64;
    const writer = new RecordingWriter(disk, "night.jsonl", HEAD, { fileBytesMax });
    const codes: string[] = [];
    writer.onProblem = ({ code }) => codes.push(code);
    writer.write(datagram(0));
    writer.write(datagram(1));
    const closed = writer.close();
    disk.fail(Object.assign(new Error("gone"), { code: "EIO" }));
    await closed;
    expect(codes).toEqual(["recording-full"]);
  });

  it("closes when the disk fails only then", async () => {
    const disk = new SlowDisk();
    const writer = new RecordingWriter(disk, "night.jsonl", HEAD);
    writer.write(datagram(0));
    const closed = writer.close();
    disk.fail(Object.assign(new Error("gone"), { code: "EIO" }));
    await closed;
    expect(writer.problem?.message).toContain("EIO");
  });
});
