import { createHash, randomBytes } from "node:crypto";
import { type FileHandle, link, open, rename, unlink } from "node:fs/promises";
import { join } from "node:path";
import { splitName } from "./safe-name.js";

/** The part of a file that is written to; tests give another, with a disk that is full. */
export interface WrittenFile extends Pick<FileHandle, "sync" | "close"> {
  write(bytes: Uint8Array): Promise<{ readonly bytesWritten: number }>;
}
export type CreateFile = (path: string) => Promise<WrittenFile>;

/** Where messages go. */
export interface MessageFolder {
  readonly path: string;
  /** Must fail if the file is there. Default: the file system. */
  readonly create?: CreateFile;
}

/** More files of one name than this are not looked for. */
const CLASHES_MAX = 10_000;

/** What `link` says where the file system has no hard links. */
const NO_LINKS: ReadonlySet<string> = new Set([
  "EPERM",
  "ENOTSUP",
  "EOPNOTSUPP",
  "ENOSYS",
  "EMLINK",
]);

/**
 * One message on its way to a file. It is written to a temporary file in the same folder, and gets
 * its name when all of it is on the disk: a file of that name is whole, or not there.
 */
export class MessageFile {
  readonly #folder: MessageFolder;
  readonly #temporary: string;
  readonly #file: WrittenFile;
  readonly #hash = createHash("sha256");
  #bytes = 0;
  #isOver = false;

  /** @throws what the file system throws */
  static async create(folder: MessageFolder): Promise<MessageFile> {
    const temporary = join(folder.path, `.fardel-${randomBytes(8).toString("hex")}.part`);
    const create = folder.create ?? ((path: string) => open(path, "wx", 0o644));
    return new MessageFile(folder, temporary, await create(temporary));
  }

  private constructor(folder: MessageFolder, temporary: string, file: WrittenFile) {
    this.#folder = folder;
    this.#temporary = temporary;
    this.#file = file;
  }

  /** Bytes written so far. */
  get bytes(): number {
    return this.#bytes;
  }

  async write(bytes: Uint8Array): Promise<void> {
    for (let at = 0; at < bytes.length; ) {
      const { bytesWritten } = await this.#file.write(bytes.subarray(at));
      at += bytesWritten;
    }
    this.#hash.update(bytes);
    this.#bytes += bytes.length;
  }

  /** SHA-256 of what was written; nothing can be written afterwards. */
  digest(): Buffer {
    return this.#hash.digest();
  }

  /**
   * Give it its name. A file that is there is never overwritten: `name-2` is taken then, and so on.
   * @returns the name that it got
   */
  async keep(name: string): Promise<string> {
    await this.#file.sync();
    await this.#file.close();
    const kept = await this.#name(name);
    this.#isOver = true;
    await syncFolder(this.#folder.path);
    return kept;
  }

  /** Take it away. Does nothing once it is kept. */
  async discard(): Promise<void> {
    if (this.#isOver) return;
    this.#isOver = true;
    await this.#file.close().catch(() => {});
    await unlink(this.#temporary).catch(() => {});
  }

  async #name(name: string): Promise<string> {
    const { stem, extension } = splitName(name);
    for (let number = 1; number <= CLASHES_MAX; number++) {
      const candidate = number === 1 ? name : `${stem}-${number}${extension}`;
      if (await this.#moveTo(join(this.#folder.path, candidate))) return candidate;
    }
    throw Object.assign(new Error(`More than ${CLASHES_MAX} files are called ${name}`), {
      code: "EEXIST",
    });
  }

  /** @returns false if something is there already */
  async #moveTo(path: string): Promise<boolean> {
    try {
      await link(this.#temporary, path);
    } catch (error) {
      if (codeOf(error) === "EEXIST") return false;
      if (!NO_LINKS.has(codeOf(error))) throw error;
      return this.#moveWithoutLinks(path);
    }
    await unlink(this.#temporary).catch(() => {});
    return true;
  }

  /** Take the name first, with an empty file: `rename` alone would overwrite. */
  async #moveWithoutLinks(path: string): Promise<boolean> {
    try {
      await (await open(path, "wx")).close();
    } catch (error) {
      if (codeOf(error) === "EEXIST") return false;
      throw error;
    }
    await rename(this.#temporary, path);
    return true;
  }
}

/** So that the name survives a power cut too; not every system can do it. */
async function syncFolder(path: string): Promise<void> {
  const folder = await open(path, "r").catch(() => undefined);
  await folder?.sync().catch(() => {});
  await folder?.close();
}

export function codeOf(error: unknown): string {
  return error instanceof Error && "code" in error ? String(error.code) : "";
}
