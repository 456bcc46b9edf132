import { open } from "node:fs/promises";
import type { CreateFile } from "./message-file.js";

/** For tests: a disk with room for so many bytes in each file. */
export function fullDisk(roomBytes: number): CreateFile {
  return async (path) => {
    const handle = await open(path, "wx");
    let room = roomBytes;
    return {
      write: async (bytes) => {
        room -= bytes.length;
        if (room < 0) throw Object.assign(new Error("ENOSPC: no space left"), { code: "ENOSPC" });
        return handle.write(bytes);
      },
      sync: () => handle.sync(),
      close: () => handle.close(),
    };
  };
}
