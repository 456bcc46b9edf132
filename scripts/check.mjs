// Everything that is checked beside the tests: `npm run check`, or some of it by name, for instance
// `npm run check -- types lint`. Runs all that was asked for, then fails if any of it failed.

import { spawnSync } from "node:child_process";
import { existsSync, mkdtempSync, readdirSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { packPackages } from "./pack.mjs";
import { orExit, SetupError, setUp } from "./setup.mjs";
import { root } from "./workspace.mjs";

const bin = {
  attw: "node_modules/@arethetypeswrong/cli/dist/index.js",
  biome: "node_modules/@biomejs/biome/bin/biome",
  publint: "node_modules/publint/src/cli.js",
  tsc: "node_modules/typescript/bin/tsc",
};

const groups = {
  types: () =>
    typeProjects().map((project) => [`types ${project}`, () => node(bin.tsc, "-p", project)]),
  lint: () => [["lint and format", () => node(bin.biome, "check", "--error-on-warnings", ".")]],
  words: () => [["words and paths", () => node("scripts/check-words.mjs")]],
  build: () => [["build", () => setUp({ build: true })]],
  packed: () => packedSteps(),
};

/** The whole workspace as its tests see it, then each package as it is published. */
function typeProjects() {
  const ofPackages = readdirSync(join(root, "packages"))
    .sort()
    .flatMap((name) => {
      const folder = `packages/${name}`;
      const files = existsSync(join(root, folder, "package.json"))
        ? readdirSync(join(root, folder))
        : [];
      return files
        .filter((file) => /^tsconfig.*\.json$/.test(file))
        .map((file) => `${folder}/${file}`);
    });
  return ["tsconfig.json", "test/browser/tsconfig.json", ...ofPackages];
}

/** Both tools read the tarballs: what a user gets, not what lies in the folder. */
function packedSteps() {
  const target = mkdtempSync(join(tmpdir(), "fardel-pack-"));
  process.on("exit", () => rmSync(target, { recursive: true, force: true }));
  let packed;
  try {
    packed = packPackages(target);
  } catch (error) {
    return [
      [
        "pack",
        () => {
          throw error;
        },
      ],
    ];
  }
  return packed.flatMap(({ name, tarball }) => [
    [`publint ${name}`, () => node(bin.publint, "run", tarball, "--strict")],
    // node16 covers ESM, CommonJS and bundlers; older resolution is below our oldest Node.
    [`attw ${name}`, () => node(bin.attw, tarball, "--profile", "node16", "--no-color")],
  ]);
}

/** Runs a tool quietly and gives its output away only when it fails. */
function node(script, ...args) {
  const result = spawnSync(process.execPath, [join(root, script), ...args], {
    cwd: root,
    encoding: "utf8",
    maxBuffer: 2 ** 26,
    stdio: ["ignore", "pipe", "pipe"],
  });
  if (result.status !== 0) throw new SetupError(`${result.stdout}${result.stderr}`.trim());
}

orExit(() => setUp());
const wanted = process.argv.slice(2);
const unknown = wanted.filter((name) => !Object.hasOwn(groups, name));
if (unknown.length > 0) {
  console.error(
    `No such check: ${unknown.join(", ")}. There are: ${Object.keys(groups).join(", ")}.`,
  );
  process.exit(2);
}

const failed = [];
let count = 0;
for (const [group, steps] of Object.entries(groups)) {
  if (wanted.length > 0 && !wanted.includes(group)) continue;
  for (const [title, work] of steps()) {
    const startedAt = performance.now();
    let fault;
    try {
      work();
    } catch (error) {
      fault = error instanceof SetupError ? error.message : error.stack;
      failed.push(title);
    }
    count += 1;
    const seconds = ((performance.now() - startedAt) / 1000).toFixed(1);
    console.log(`${fault === undefined ? "ok    " : "FAILED"} ${title} (${seconds} s)`);
    if (fault !== undefined) console.log(`${fault.replaceAll(/^/gm, "       ")}\n`);
  }
}
if (failed.length > 0) {
  console.log(`${failed.length} of ${count} checks failed: ${failed.join(", ")}.`);
  process.exit(1);
}
console.log(`All ${count} checks passed.`);
