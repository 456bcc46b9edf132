// Runs a TypeScript program of this repository against the built packages, as a user's program
// would: `node scripts/run.mjs <file> [arguments …]`. Does all set-up that is needed first.

import { resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { orExit, setUp } from "./setup.mjs";
import { root } from "./workspace.mjs";

const [file, ...args] = process.argv.slice(2);
if (file === undefined) {
  process.stderr.write("Say which program to run: node scripts/run.mjs <file> [arguments …]\n");
  process.exit(2);
}
orExit(() => setUp({ build: true }));

const { register } = await import("tsx/esm/api");
// The base configuration has no `paths`: imports of packages go to their `dist`.
register({ tsconfig: resolve(root, "tsconfig.base.json") });
const path = resolve(root, file);
process.argv = [process.argv[0], path, ...args];
await import(pathToFileURL(path).href);
