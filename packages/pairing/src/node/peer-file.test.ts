import { chmod, mkdtemp, readdir, readFile, rm, stat, utimes, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import type { PairedPeer } from "../store/paired-peer.js";
import { PeerFile } from "./peer-file.js";

let folder: string;
beforeEach(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-peers-"));
});
afterEach(() => rm(folder, { recursive: true, force: true }));

function peer(number: number): PairedPeer {
  const address = Uint8Array.of(2, 0, 0, 0, number >> 8, number & 0xff);
  const keys = [{ secret: new Uint8Array(32).fill(number), side: "initiator" as const }];
  return {
    address,
    name: `row-${number}`,
    keys,
    usedIndex: 0,
    firstSeenMs: 1000,
    lastSeenMs: 2000,
  };
}

const adding = (number: number) => (peers: readonly PairedPeer[]) => [...peers, peer(number)];

describe("a file of paired boards", () => {
  it("is made when it is first written, in a folder of its own, for its owner only", async () => {
    const path = join(folder, "new", "folder", "peers.json");
    const file = new PeerFile(path);
    expect(await file.read()).toEqual([]);
    await expect(stat(path)).rejects.toThrow();
    await file.change(adding(1));
    expect((await stat(path)).mode & 0o777).toBe(0o600);
    expect((await stat(join(folder, "new", "folder"))).mode & 0o777).toBe(0o700);
    expect(await new PeerFile(path).read()).toEqual([peer(1)]);
    expect(await readdir(join(folder, "new", "folder"))).toEqual(["peers.json"]);
  });

  it("loses nothing when several change it at once", async () => {
    const path = join(folder, "peers.json");
    const files = [new PeerFile(path), new PeerFile(path), new PeerFile(path)];
    await Promise.all(Array.from({ length: 30 }, (_, at) => files[at % 3]?.change(adding(at + 1))));
    expect((await files[0]?.read())?.length).toBe(30);
    expect(await readdir(folder)).toEqual(["peers.json"]);
  });

  it("that is damaged is reported, and left as it is", async () => {
    const path = join(folder, "peers.json");
    await writeFile(path, `{"format":"fardel-peers-1","peers":[{"addr`, { mode: 0o600 });
    const before = await readFile(path);
    const file = new PeerFile(path);
    const report = { code: "store-damaged", message: expect.stringContaining("left as it is") };
    await expect(file.read()).rejects.toMatchObject(report);
    await expect(file.change(adding(1))).rejects.toMatchObject(report);
    expect(await readFile(path)).toEqual(before);
    expect(await readdir(folder)).toEqual(["peers.json"]);
  });

  it("stays as it was when a change fails", async () => {
    const path = join(folder, "peers.json");
    const file = new PeerFile(path);
    await file.change(adding(1));
    const before = await readFile(path);
    await expect(
      file.change(() => {
        throw new Error("of the change");
      }),
    ).rejects.toThrow("of the change");
    await expect(file.change(adding(1))).rejects.toMatchObject({ code: "name-taken" });
    expect(await readFile(path)).toEqual(before);
    await file.change(adding(2));
    expect((await file.read()).length).toBe(2);
  });

  it("that cannot be read or written says so", async () => {
    const unreadable = new PeerFile(folder);
    await expect(unreadable.read()).rejects.toMatchObject({ code: "store-unreadable" });
    await writeFile(join(folder, "file"), "");
    const unwritable = new PeerFile(join(folder, "file", "peers.json"));
    await expect(unwritable.change(adding(1))).rejects.toMatchObject({
      code: expect.stringMatching(/store-un(writable|readable)/),
    });
  });

  it("that others may read is used, with one warning", async () => {
    const path = join(folder, "peers.json");
    await new PeerFile(path).change(adding(1));
    await chmod(path, 0o644);
    const warnings: string[] = [];
    const file = new PeerFile(path, { onWarning: (sentence) => warnings.push(sentence) });
    await file.read();
    await file.read();
    expect(warnings).toEqual([expect.stringContaining("chmod 600")]);
    await file.change(adding(2));
    expect((await stat(path)).mode & 0o777).toBe(0o600);
  });

  it("goes on after a program that died with its lock, and not while one holds it", async () => {
    const path = join(folder, "peers.json");
    const lock = `${path}.lock`;
    await writeFile(lock, "1\n");
    await utimes(lock, 1, 1);
    await new PeerFile(path).change(adding(1));
    await writeFile(lock, "1\n");
    await expect(new PeerFile(path, { lockWaitMs: 60 }).change(adding(2))).rejects.toMatchObject({
      code: "store-busy",
      message: expect.stringContaining(lock),
    });
    await rm(lock);
    await new PeerFile(path).change(adding(2));
    expect((await new PeerFile(path).read()).length).toBe(2);
  });
});
