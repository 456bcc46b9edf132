/** Writes the vectors of discovery, pairing and protected sessions: `npx tsx test/vectors/make-protected.ts`. */
import { writeFileSync } from "node:fs";
import { argv } from "node:process";
import { fileURLToPath } from "node:url";
import { render } from "./make.js";
import { pairings, sessionlessDatagrams } from "./pairing.js";
import { protectedDatagrams } from "./protected.js";

/** File name without `.json`, and what it holds. */
export const files = {
  protected: protectedDatagrams,
  pairing: pairings,
  sessionless: sessionlessDatagrams,
};

if (argv[1] === fileURLToPath(import.meta.url)) {
  for (const [name, vectors] of Object.entries(files)) {
    writeFileSync(new URL(`./${name}.json`, import.meta.url), render(vectors));
  }
}
