// Tells whether files have changed since they were last used.

import { createHash } from "node:crypto";
import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { root } from "./workspace.mjs";

/**
 * Hash over names and contents. A missing file counts as such: appearing later, it changes the hash.
 * @param {string[]} files - relative to the root of the workspace
 * @param {string} [salt] - what else the result depends on
 * @returns {string} hexadecimal SHA-256
 */
export function digest(files, salt = "") {
  const hash = createHash("sha256").update(salt);
  for (const file of [...files].sort()) {
    const content = readOrUndefined(join(root, file));
    hash.update(`\0${file}\0${content === undefined ? "missing" : content.length}\0`);
    if (content !== undefined) hash.update(content);
  }
  return hash.digest("hex");
}

function readOrUndefined(path) {
  try {
    return readFileSync(path);
  } catch (error) {
    if (error.code === "ENOENT") return undefined;
    throw error;
  }
}

/** All files in a folder and the folders in it, as paths relative to the root; none if missing. */
export function filesUnder(folder) {
  try {
    return readdirSync(join(root, folder), { withFileTypes: true, recursive: true })
      .filter((entry) => entry.isFile())
      .map((entry) => join(entry.parentPath, entry.name).slice(root.length + 1));
  } catch (error) {
    if (error.code === "ENOENT") return [];
    throw error;
  }
}
