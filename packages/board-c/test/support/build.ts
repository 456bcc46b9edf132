import { spawnSync } from "node:child_process";
import { createHash, randomUUID } from "node:crypto";
import {
  existsSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  renameSync,
  rmSync,
  statSync,
  writeFileSync,
} from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

const ROOT = fileURLToPath(new URL("../..", import.meta.url));
const HARNESS = join(ROOT, "test/harness");
const BUILD = join(ROOT, "build");
/** What nobody has asked for that long is removed, milliseconds. */
const STALE_MS = 3_600_000;

/** Which folders of `src` a harness needs. `src/*.c` is in all of them. */
const SOURCES = {
  endpoint: ["endpoint", "crypto"],
  wire: ["endpoint"],
  bridge: ["bridge"],
  pairing: ["pairing", "crypto", "endpoint"],
  /** Of the tests of all this. */
  self: [],
} as const;

export type HarnessName = keyof typeof SOURCES;

/** Harnesses whose code calls ciphers: the test's, or with this definition those of a library. */
const WITH_CIPHERS: readonly HarnessName[] = ["endpoint", "pairing"];
/** Not for WebAssembly, nor for another processor: there the library is not installed. */
export const MBEDTLS = "HARNESS_MBEDTLS";

const WARNINGS = ["-Wall", "-Wextra", "-pedantic", "-Werror"];
/** The compiler and its options, without sources and output. */
const TARGETS = {
  wasm: [
    ...["clang", "--target=wasm32", "-mmutable-globals", "-O2", "-nostdlib", "-fvisibility=hidden"],
    ...["-Wl,--no-entry", "-Wl,--export-dynamic", "-Wl,-z,stack-size=65536", "-Wl,--stack-first"],
    "-Wl,--export=__stack_pointer",
    ...["-isystem", join(HARNESS, "freestanding")],
  ],
  sanitized: [
    ...["gcc", "-O1", "-g", "-fno-omit-frame-pointer"],
    ...["-fsanitize=address,undefined", "-fno-sanitize-recover=all"],
  ],
  native: ["gcc", "-O2"],
  /** As sanitized, with what fardel.h lets out of a small endpoint. */
  small: [
    ...["gcc", "-O1", "-g", "-fno-omit-frame-pointer", "-DFARDEL_SMALL"],
    ...["-fsanitize=address,undefined", "-fno-sanitize-recover=all"],
  ],
  "big-endian": ["powerpc-linux-gnu-gcc", "-O2", "-static"],
} as const;

export type Target = keyof typeof TARGETS;

export const TARGET_NAMES = Object.keys(TARGETS) as Target[];

/** `NAME` or `NAME=value`. */
export type Defines = readonly string[];

/**
 * Builds a harness, unless that was done with the same sources and options.
 * @returns the file
 * @throws Error with what the compiler says
 */
export function build(harness: HarnessName, target: Target, defines: Defines = []): string {
  const hasLibrary = defines.includes(MBEDTLS);
  const sources = sourcesOf(harness, target, hasLibrary);
  const options = [
    ...["-std=c99", ...WARNINGS, ...defines.map((define) => `-D${define}`)],
    ...["-I", join(ROOT, "include"), "-I", HARNESS],
  ];
  const [compiler = "", ...own] = TARGETS[target];
  const stem = `${harness}-${target}`;
  const name = `${stem}-${digestOf(sources, [compiler, ...own, ...options])}`;
  const file = join(BUILD, target === "wasm" ? `${name}.wasm` : name);
  if (existsSync(file)) return file;
  mkdirSync(BUILD, { recursive: true });
  removeStale(stem);
  // Several test files may build at once: each on its own, and the last one stays.
  const made = join(BUILD, `${name}.${randomUUID()}`);
  const table = `${made}.table.c`;
  if (target !== "wasm") writeFileSync(table, dispatchTable(harness));
  const all = target === "wasm" ? sources : [...sources, table];
  const libraries = hasLibrary ? ["-lmbedcrypto"] : [];
  const words = [...own, ...options, ...all, "-o", made, ...libraries];
  const result = spawnSync(compiler, words, { encoding: "utf8" });
  rmSync(table, { force: true });
  if (result.status !== 0)
    throw new Error(`${stem} was not built: ${result.error?.message ?? result.stderr}`);
  renameSync(made, file);
  return file;
}

/** The functions of a harness, in the order of their numbers. */
export function exportsOf(harness: HarnessName): { name: string; parameters: number }[] {
  const text = readFileSync(harnessFile(harness), "utf8");
  return [...text.matchAll(/^EXPORT int (\w+)\(([^)]*)\)/gm)].map(([, name = "", list = ""]) => ({
    name,
    parameters: list.trim() === "void" ? 0 : list.split(",").length,
  }));
}

/** C that calls a function by its number. */
function dispatchTable(harness: HarnessName): string {
  const functions = exportsOf(harness);
  const declared = functions.map(
    ({ name, parameters }) => `int ${name}(${Array(parameters).fill("int").join(", ") || "void"});`,
  );
  const cases = functions.map(({ name, parameters }, index) => {
    const passed = Array.from({ length: parameters }, (_, at) => `a[${at}]`);
    return `    case ${index}: return ${name}(${passed.join(", ")});`;
  });
  return [
    ...declared,
    "int harness_dispatch(int function, const int *a);",
    "int harness_dispatch(int function, const int *a) {",
    "  (void)a;",
    "  switch (function) {",
    ...cases,
    "  }",
    "  return 0;",
    "}",
    "",
  ].join("\n");
}

function harnessFile(harness: HarnessName): string {
  return join(HARNESS, `${harness}-harness.c`);
}

function sourcesOf(harness: HarnessName, target: Target, hasLibrary: boolean): string[] {
  const folders = ["src", ...SOURCES[harness].map((folder) => `src/${folder}`)];
  const library = folders.flatMap((folder) => filesIn(join(ROOT, folder), ".c"));
  const side = join(HARNESS, target === "wasm" ? "wasm.c" : "native.c");
  const ciphers = WITH_CIPHERS.includes(harness) ? [join(HARNESS, "crypto-told.c")] : [];
  if (hasLibrary) ciphers.push(join(ROOT, "examples/crypto-mbedtls.c"));
  return [...library, harnessFile(harness), ...ciphers, side];
}

function filesIn(folder: string, ending: string): string[] {
  return readdirSync(folder)
    .filter((name) => name.endsWith(ending))
    .sort()
    .map((name) => join(folder, name));
}

/** Of all that goes into a program, headers included. */
function digestOf(sources: readonly string[], words: readonly string[]): string {
  const folders = [
    ...["include/fardel", "src", "src/endpoint", "src/bridge", "src/crypto", "src/pairing"],
    ...["test/harness", "test/harness/freestanding", "examples"],
  ];
  const headers = folders
    .map((folder) => join(ROOT, folder))
    .filter((folder) => existsSync(folder))
    .flatMap((folder) => filesIn(folder, ".h"));
  const hash = createHash("sha256").update(words.join(" "));
  for (const file of [...headers, ...sources]) hash.update(file).update(readFileSync(file));
  return hash.digest("hex").slice(0, 16);
}

function removeStale(stem: string): void {
  const now = Date.now();
  for (const name of readdirSync(BUILD)) {
    const file = join(BUILD, name);
    const age = now - (statSync(file, { throwIfNoEntry: false })?.mtimeMs ?? now);
    if (name.startsWith(`${stem}-`) && age > STALE_MS) rmSync(file, { force: true });
  }
}
