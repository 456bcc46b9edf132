import { createHash } from "node:crypto";
import { mkdtemp, open, readdir, readFile, rm, symlink, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { fullDisk } from "./full-disk.js";
import { MessageFile } from "./message-file.js";

let path: string;
beforeEach(async () => {
  path = await mkdtemp(join(tmpdir(), "fardel-files-"));
});
afterEach(() => rm(path, { recursive: true, force: true }));

async function store(name: string, content: string): Promise<string> {
  const file = await MessageFile.create({ path });
  await file.write(Buffer.from(content));
  return file.keep(name);
}

describe("MessageFile", () => {
  it("is not there under its name before all of it is on the disk", async () => {
    const file = await MessageFile.create({ path });
    await file.write(Buffer.from("half"));
    expect(await readdir(path)).toEqual([expect.stringMatching(/^\.fardel-[0-9a-f]{16}\.part$/)]);
    await file.write(Buffer.from(" and half"));
    expect(file.bytes).toBe(13);
    const sha256 = createHash("sha256").update("half and half").digest();
    expect(file.digest()).toEqual(sha256);
    expect(await file.keep("fans.bin")).toBe("fans.bin");
    expect(await readdir(path)).toEqual(["fans.bin"]);
    expect(await readFile(join(path, "fans.bin"), "utf8")).toBe("half and half");
  });

  it("overwrites nothing: not a file, nor what a link points to", async () => {
    await writeFile(join(path, "other"), "keep me");
    await symlink(join(path, "other"), join(path, "fans-2.bin"));
    expect(await store("fans.bin", "one")).toBe("fans.bin");
    expect(await store("fans.bin", "two")).toBe("fans-3.bin");
    expect(await readFile(join(path, "fans.bin"), "utf8")).toBe("one");
    expect(await readFile(join(path, "other"), "utf8")).toBe("keep me");
  });

  it("gives each of many at once a name of its own", async () => {
    const contents = Array.from({ length: 20 }, (_, index) => `number ${index}`);
    const names = await Promise.all(contents.map((content) => store("fans.bin", content)));
    expect(new Set(names).size).toBe(20);
    const kept = await Promise.all(names.map((name) => readFile(join(path, name), "utf8")));
    expect(kept).toEqual(contents);
    expect(await readdir(path)).toHaveLength(20);
  });

  it("leaves nothing behind when it is discarded, or the disk is full", async () => {
    const unwanted = await MessageFile.create({ path });
    await unwanted.write(Buffer.from("x"));
    await unwanted.discard();
    await unwanted.discard();
    const full = await MessageFile.create({ path, create: fullDisk(10) });
    await full.write(Buffer.from("0123456789"));
    await expect(full.write(Buffer.from("0"))).rejects.toThrow("ENOSPC");
    await full.discard();
    expect(await readdir(path)).toEqual([]);
  });

  it("goes on where the system wrote only a part at once", async () => {
    const create = async (file: string) => {
      const handle = await open(file, "wx");
      return {
        write: (bytes: Uint8Array) => handle.write(bytes, 0, Math.min(3, bytes.length)),
        sync: () => handle.sync(),
        close: () => handle.close(),
      };
    };
    const file = await MessageFile.create({ path, create });
    await file.write(Buffer.from("0123456789"));
    await file.keep("a");
    expect(await readFile(join(path, "a"), "utf8")).toBe("0123456789");
  });
});
