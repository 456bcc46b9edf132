/**
 * Writes the vectors: `npx tsx test/vectors/make.ts`.
 *
 * Fields are written down by hand, from PROTOCOL.md; only the CRC-16 at the end of each datagram is
 * computed, bit by bit. A test fails when the files are not what this would write.
 */
import { writeFileSync } from "node:fs";
import { argv } from "node:process";
import { fileURLToPath } from "node:url";
import { frames } from "./frames.js";
import { heads } from "./heads.js";
import { checksums, varints } from "./primitives.js";
import { refusals } from "./refusals.js";

/** File name without `.json`, and what it holds. */
export const files = { heads, frames, refusals, checksums, varints };

/** The text of a file. */
export function render(vectors: readonly object[]): string {
  return `${JSON.stringify(vectors, null, 2)}\n`;
}

if (argv[1] === fileURLToPath(import.meta.url)) {
  for (const [name, vectors] of Object.entries(files)) {
    writeFileSync(new URL(`./${name}.json`, import.meta.url), render(vectors));
  }
}
