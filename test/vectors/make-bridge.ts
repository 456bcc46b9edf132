/**
 * Writes the bridge's vectors: `npx tsx test/vectors/make-bridge.ts`.
 *
 * Bodies are written down by hand, from BRIDGE.md; only the CRC-16 and the stuffing are computed, in
 * the simplest way there is. A test fails when the files are not what this would write.
 */
import { writeFileSync } from "node:fs";
import { argv } from "node:process";
import { fileURLToPath } from "node:url";
import { bridgeFrameVectors } from "./bridge-frames.js";
import { bridgeLineVectors } from "./bridge-lines.js";
import { bridgeRefusalVectors } from "./bridge-refusals.js";
import { render } from "./make.js";

/** File name without `.json`, and what it holds. */
export const bridgeFiles = {
  "bridge-frames": bridgeFrameVectors,
  "bridge-refusals": bridgeRefusalVectors,
  "bridge-lines": bridgeLineVectors,
};

if (argv[1] === fileURLToPath(import.meta.url)) {
  for (const [name, vectors] of Object.entries(bridgeFiles)) {
    writeFileSync(new URL(`./${name}.json`, import.meta.url), render(vectors));
  }
}
