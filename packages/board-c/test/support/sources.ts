import { readdirSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

/** The folder of this package. */
export const ROOT = fileURLToPath(new URL("../..", import.meta.url));

/** `string.h` with no more than what the library may call. */
export const FREESTANDING = ["-ffreestanding", "-isystem", join(ROOT, "test/harness/freestanding")];

/** The files of C in some folders of this package, and in all folders below. */
export function sourcesIn(...folders: string[]): string[] {
  return folders.flatMap((folder) =>
    readdirSync(join(ROOT, folder), { recursive: true, encoding: "utf8" })
      .filter((name) => name.endsWith(".c"))
      .sort()
      .map((name) => join(ROOT, folder, name)),
  );
}
