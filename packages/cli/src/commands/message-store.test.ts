import { mkdtemp, readdir, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { Endpoint, type RemotePeer } from "@fardel/core";
import { formatAddress, lossyPair, presets } from "@fardel/lossy-link";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { fullDisk } from "../full-disk.js";
import { encodeHeader } from "../named-message.js";
import { passTime } from "../test-context.js";
import { MessageStore, type StoreOptions } from "./message-store.js";
import { StreamReader } from "./stream-reader.js";

let path: string;
beforeEach(async () => {
  path = await mkdtemp(join(tmpdir(), "fardel-store-"));
});
afterEach(() => rm(path, { recursive: true, force: true }));

function store(options: Partial<StoreOptions> = {}): MessageStore {
  return new MessageStore({
    folder: { path },
    raw: false,
    bytesMax: 1000,
    today: () => new Date(0),
    formatAddress,
    ...options,
  });
}

const idle = new AbortController().signal;

const { clock } = lossyPair();

/** A peer that only has an address. */
async function somebody(): Promise<RemotePeer> {
  const { a, clock: time } = lossyPair();
  const endpoint = await Endpoint.open({ link: a, clock: time });
  const peer = endpoint.peer(Uint8Array.of(2, 0, 0, 0, 0, 0x0b));
  await endpoint.close();
  return peer;
}

/** Stores a stream from it in the parts given. */
async function stream(parts: readonly Uint8Array[], options: Partial<StoreOptions> = {}) {
  const input = (async function* () {
    yield* parts;
  })();
  return store(options).storeStream(await somebody(), new StreamReader(input, idle, clock));
}

describe("MessageStore", () => {
  it("finds the header of a stream however it is cut", async () => {
    const content = Buffer.from("fan=on");
    const sha256 = Buffer.from(
      "e9b2a4bd1c0fb4a0a2d9b7e3a5a6f7c8d9e0f1a2b3c4d5e6f708192a3b4c5d6e",
      "hex",
    );
    const message = Buffer.concat([encodeHeader({ name: "fans.bin", bytes: 6, sha256 }), content]);
    for (const length of [1, 2, 7, message.length - 6, message.length]) {
      const parts: Uint8Array[] = [];
      for (let at = 0; at < message.length; at += length)
        parts.push(message.subarray(at, at + length));
      const stored = await stream(parts);
      // The digest was made up, so it must differ; the length is that of the content.
      expect(stored).toMatchObject({ isStored: true, bytes: 6, digest: "differs" });
    }
    expect(await readdir(path)).toHaveLength(5);
  });

  it("stores a stream that ends within what may have been a header, as it is", async () => {
    const stored = await stream([Uint8Array.of(0xc1)]);
    expect(stored).toMatchObject({ isStored: true, bytes: 1, digest: "not-announced" });
    const empty = await stream([]);
    expect(empty).toMatchObject({ isStored: true, bytes: 0 });
  });

  it("gives up a stream that is longer than allowed, and keeps nothing of it", async () => {
    const parts = [new Uint8Array(600), new Uint8Array(400), Uint8Array.of(1)];
    const stored = await stream(parts);
    expect(stored).toMatchObject({
      isStored: false,
      problem: { code: "message-too-large", message: expect.stringContaining("--max-bytes") },
    });
    expect(await readdir(path)).toEqual([]);
  });

  it("reports a full disk, keeps nothing, and the sender of a stream is stopped", async () => {
    const { a, b, clock } = lossyPair(presets.reference());
    const gateway = await Endpoint.open({ link: a, clock, accept: () => "stream" });
    const board = await Endpoint.open({ link: b, clock });
    const sending = board.peer(a.localAddress).send(new Uint8Array(200_000));
    sending.catch(() => {});
    const { value: incoming } = await passTime(clock, gateway.streams().next());
    const reader = new StreamReader(incoming, idle, clock);
    const full = store({ folder: { path, create: fullDisk(20_000) }, bytesMax: 1e6 });
    const stored = await passTime(clock, full.storeStream(incoming.peer, reader));
    expect(stored).toMatchObject({
      isStored: false,
      from: "02:00:00:00:00:0b",
      problem: { code: "file", message: expect.stringContaining("The disk is full") },
    });
    expect(await readdir(path)).toEqual([]);
    await expect(passTime(clock, sending)).rejects.toMatchObject({ code: "refused-by-peer" });
    await gateway.close();
    await board.close();
  });

  it("says of a folder that is gone that it does not exist", async () => {
    await rm(path, { recursive: true });
    const stored = await store().storeWhole({ peer: await somebody(), bytes: Uint8Array.of(1) });
    expect(stored).toMatchObject({
      isStored: false,
      problem: { message: expect.stringContaining("does not exist") },
    });
  });
});
