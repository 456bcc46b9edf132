import { constants } from "node:fs";
import { chmod, mkdir, open, readFile, rename, rm, stat, unlink } from "node:fs/promises";
import { basename, dirname, join } from "node:path";
import { setTimeout as wait } from "node:timers/promises";
import type { PairedPeer, PeerStore } from "../store/paired-peer.js";
import { readPeers, writePeers } from "../store/peer-text.js";
import { StoreError } from "../store/store-error.js";

/** Only its owner may read and write it: it holds keys. */
const PRIVATE_MODE = 0o600;
const PRIVATE_FOLDER_MODE = 0o700;
/** Bytes of a file that can be one of ours at most. */
const FILE_BYTES_MAX = 64 * 1024 * 1024;
/** How long another program may hold the store, milliseconds. */
const LOCK_WAIT_MS = 3000;
const LOCK_TRY_MS = 25;
/** A lock older than this was left behind by a program that has died, milliseconds. */
const LOCK_STALE_MS = 30_000;

/** How a file of paired boards is opened. */
export interface PeerFileOptions {
  /** Told once if others than its owner may read the file. It is used all the same. */
  readonly onWarning?: (sentence: string) => void;
  /** How long another program may hold the file, milliseconds; then `store-busy`. Default 3000. */
  readonly lockWaitMs?: number;
}

/**
 * Paired boards in a file, readable by its owner only. It is written anew beside the old one and put in its place in one
 * step: a program that dies, a full disk or a power cut leaves the old one or the new one. A file that cannot be
 * understood is reported and left as it is; nothing is written in its place.
 */
export class PeerFile implements PeerStore {
  #queue: Promise<unknown> = Promise.resolve();
  #hasWarned = false;

  constructor(
    readonly path: string,
    readonly options: PeerFileOptions = {},
  ) {}

  /** @throws {@link StoreError} `store-damaged`, `store-unreadable` */
  async read(): Promise<readonly PairedPeer[]> {
    const text = await this.#text();
    if (text === undefined) return [];
    try {
      return readPeers(text);
    } catch (cause) {
      const what = cause instanceof Error ? cause.message : String(cause);
      const sentence = `${this.path}: ${what} It was left as it is. Put a copy of an earlier one in its place, or move it away and pair the boards again.`;
      throw new StoreError("store-damaged", sentence, { cause });
    }
  }

  change(
    change: (peers: readonly PairedPeer[]) => readonly PairedPeer[],
  ): Promise<readonly PairedPeer[]> {
    const changed = this.#queue.then(() => this.#locked(change));
    this.#queue = changed.catch(() => {});
    return changed;
  }

  async #locked(
    change: (peers: readonly PairedPeer[]) => readonly PairedPeer[],
  ): Promise<readonly PairedPeer[]> {
    await this.#makeFolder();
    const unlock = await this.#lock();
    try {
      const changed = change(await this.read());
      await this.#write(writePeers(changed));
      return changed;
    } finally {
      await unlock();
    }
  }

  async #text(): Promise<string | undefined> {
    try {
      const { size, mode } = await stat(this.path);
      if (size > FILE_BYTES_MAX) return "too large to be one of ours";
      if ((mode & 0o077) !== 0 && process.platform !== "win32") this.#warn();
      return await readFile(this.path, "utf8");
    } catch (cause) {
      if (isCode(cause, "ENOENT")) return undefined;
      const sentence = `${this.path} cannot be read: ${messageOf(cause)}. Check that it is a file of yours.`;
      throw new StoreError("store-unreadable", sentence, { cause });
    }
  }

  #warn(): void {
    if (this.#hasWarned) return;
    this.#hasWarned = true;
    this.options.onWarning?.(
      `${this.path} holds keys and can be read by others. Make it private: chmod 600 ${this.path}`,
    );
  }

  async #makeFolder(): Promise<void> {
    try {
      await mkdir(dirname(this.path), { recursive: true, mode: PRIVATE_FOLDER_MODE });
    } catch (cause) {
      throw this.#unwritable(cause);
    }
  }

  async #write(text: string): Promise<void> {
    const { path } = this;
    const beside = join(dirname(path), `.${basename(path)}.${process.pid}.new`);
    try {
      await rm(beside, { force: true });
      const file = await open(
        beside,
        constants.O_WRONLY | constants.O_CREAT | constants.O_EXCL,
        PRIVATE_MODE,
      );
      try {
        await file.writeFile(text);
        await file.sync();
      } finally {
        await file.close();
      }
      // Whatever the umask has taken away or left.
      await chmod(beside, PRIVATE_MODE);
      await rename(beside, path);
      await syncFolder(dirname(path));
    } catch (cause) {
      await rm(beside, { force: true }).catch(() => {});
      throw this.#unwritable(cause);
    }
  }

  #unwritable(cause: unknown): StoreError {
    const sentence = `${this.path} cannot be written: ${messageOf(cause)}. What was there is unchanged.`;
    return new StoreError("store-unwritable", sentence, { cause });
  }

  /** One program at a time. @returns how to let go */
  async #lock(): Promise<() => Promise<void>> {
    const lock = `${this.path}.lock`;
    const { lockWaitMs = LOCK_WAIT_MS } = this.options;
    for (let waitedMs = 0; ; waitedMs += LOCK_TRY_MS) {
      try {
        const file = await open(lock, "wx", PRIVATE_MODE);
        await file.writeFile(`${process.pid}\n`);
        await file.close();
        return () => unlink(lock).catch(() => {});
      } catch (cause) {
        if (!isCode(cause, "EEXIST")) throw this.#unwritable(cause);
        if (await isStale(lock)) {
          await rm(lock, { force: true });
        } else if (waitedMs >= lockWaitMs) {
          const sentence = `${this.path} is being changed by another program. Try again; if none is running, delete ${lock}.`;
          throw new StoreError("store-busy", sentence, { cause });
        } else {
          await wait(LOCK_TRY_MS);
        }
      }
    }
  }
}

async function isStale(lock: string): Promise<boolean> {
  try {
    const { mtimeMs } = await stat(lock);
    return Date.now() - mtimeMs > LOCK_STALE_MS;
  } catch {
    return false;
  }
}

/** So that the new name survives a power cut; not every system can, and none needs it for the rest. */
async function syncFolder(path: string): Promise<void> {
  try {
    const folder = await open(path, "r");
    try {
      await folder.sync();
    } finally {
      await folder.close();
    }
  } catch {
    // Windows opens no folders.
  }
}

function isCode(error: unknown, code: string): boolean {
  return error instanceof Error && (error as NodeJS.ErrnoException).code === code;
}

function messageOf(error: unknown): string {
  return error instanceof Error ? error.message : String(error);
}
