import { describe, expect, it } from "vitest";
import {
  exportedNames,
  type ImportedName,
  importsOf,
  impurities,
  type SourceFile,
  sourceFiles,
} from "./source-rules.js";

const wire = sourceFiles("packages/core/src/wire", { tests: false });
const protocol = sourceFiles("packages/core/src/protocol", { tests: false });
const core = sourceFiles("packages/core/src", { tests: false });
const lossyLink = sourceFiles("packages/lossy-link/src", { tests: false });
const serialBridge = sourceFiles("packages/serial-bridge/src", { tests: false });
const everything = ["packages", "test", "bench"].flatMap((folder) =>
  sourceFiles(folder, { tests: true }),
);

/** Imports that `isAllowed` turns down, as `path imports what`. */
function refusedImports(
  files: readonly SourceFile[],
  isAllowed: (imported: ImportedName) => boolean,
): string[] {
  return files.flatMap((file) =>
    importsOf(file)
      .filter((imported) => !isAllowed(imported))
      .map(({ specifier, names }) => `${file.path} imports ${names.join(", ")} from ${specifier}`),
  );
}

/** The files that a package's entries bring along: what is published, without the support of tests. */
function reachable(files: readonly SourceFile[], entries: readonly string[]): SourceFile[] {
  const byPath = new Map(files.map((file) => [file.path, file]));
  const found = new Set<SourceFile>();
  const visit = (path: string): void => {
    const file = byPath.get(path);
    if (!file || found.has(file)) return;
    found.add(file);
    for (const { target } of importsOf(file)) visit(target.replace(/\.js$/, ".ts"));
  };
  entries.forEach(visit);
  return [...found];
}

const isIn =
  (...folders: string[]) =>
  ({ target }: ImportedName): boolean =>
    folders.some((folder) => target.startsWith(`${folder}/`));

describe("the sans-IO layers", () => {
  it("were found", () => {
    expect(wire.length).toBeGreaterThan(0);
    expect(protocol.length).toBeGreaterThan(0);
  });

  it("know neither time nor chance nor waiting but from their arguments", () => {
    expect([...wire, ...protocol].flatMap(impurities)).toEqual([]);
  });
});

describe("imports point downward", () => {
  it("wire imports only wire", () => {
    expect(refusedImports(wire, isIn("packages/core/src/wire"))).toEqual([]);
  });

  it("protocol imports only wire and protocol", () => {
    const allowed = isIn("packages/core/src/wire", "packages/core/src/protocol");
    expect(refusedImports(protocol, allowed)).toEqual([]);
  });

  it("core imports nothing but itself", () => {
    expect(refusedImports(core, isIn("packages/core/src"))).toEqual([]);
  });

  it("lossy-link knows core's links and clocks, not its frames", () => {
    expect(lossyLink.length).toBeGreaterThan(0);
    const known = core
      .filter(({ path }) => /^packages\/core\/src\/(?:types|clock|link)\.ts$/.test(path))
      .flatMap(exportedNames);
    expect(known).toEqual(expect.arrayContaining(["Clock", "Link"]));
    const allowed = (imported: ImportedName): boolean =>
      isIn("packages/lossy-link/src")(imported) ||
      (imported.target === "@fardel/core" && imported.names.every((name) => known.includes(name)));
    expect(refusedImports(lossyLink, allowed)).toEqual([]);
  });

  it("serial-bridge runs everywhere but for its node entry", () => {
    const entries = ["index", "web"].map((name) => `packages/serial-bridge/src/${name}.ts`);
    const portable = reachable(serialBridge, entries);
    expect(portable.length).toBeGreaterThan(10);
    const isAllowed = (imported: ImportedName): boolean =>
      (isIn("packages/serial-bridge/src")(imported) &&
        !/^packages\/serial-bridge\/src\/node[./]/.test(imported.target)) ||
      ["@fardel/core", "@fardel/core/wire"].includes(imported.target);
    expect(refusedImports(portable, isAllowed)).toEqual([]);
  });

  it("one file imports the package serialport", () => {
    const importers = everything
      .filter(({ path }) => !path.endsWith(".test.ts"))
      .filter((file) => importsOf(file).some(({ specifier }) => specifier === "serialport"));
    expect(importers.map(({ path }) => path)).toEqual([
      "packages/serial-bridge/src/node/serialport.ts",
    ]);
  });

  it("nothing imports the examples or the command line", () => {
    const others = everything.filter(({ path }) => !path.startsWith("packages/cli/"));
    const allowed = ({ target }: ImportedName): boolean =>
      !/^(?:\.\.\/)*(?:examples|packages\/cli)\//.test(target) && !/^@fardel\/cli/.test(target);
    expect(refusedImports(others, allowed)).toEqual([]);
  });
});

describe("these rules themselves", () => {
  const inWire = (text: string): SourceFile => ({ path: "packages/core/src/wire/ack.ts", text });

  it.each([
    "const now = Date.now();",
    "const dice = Math.random();",
    "const { random } = Math;",
    'const dice = Math["random"]();',
    "const now = performance.now();",
    "setTimeout(() => {}, 1);",
    "queueMicrotask(() => {});",
    "const later = Promise.resolve(1);",
    "async function later() {}",
    "const later = async () => 1;",
    "const text = `at ${" + "new Date()}`;",
    "const clock = globalThis;",
  ])("refuse %s", (text) => {
    expect(impurities(inWire(text))).toHaveLength(1);
  });

  it.each([
    "// no Date, no Promise here",
    "/** async: Math.random() */",
    'const text = "Date and setTimeout";',
    "const least = Math.min(1, 2);",
    "function draw(random: () => number): number { return random(); }",
  ])("accept %s", (text) => {
    expect(impurities(inWire(text))).toEqual([]);
  });

  it.each([
    [
      'import { run } from "../protocol/session.js";',
      "packages/core/src/protocol/session.js",
      "run",
    ],
    ['import type { A as B } from "../link.js";', "packages/core/src/link.js", "A"],
    ['export * from "../index.js";', "packages/core/src/index.js", "*"],
    ['export { a } from "../index.js";', "packages/core/src/index.js", "a"],
    ['import * as zlib from "node:zlib";', "node:zlib", "*"],
    ['const later = import("../endpoint.js");', "packages/core/src/endpoint.js", "*"],
    ['type A = import("../endpoint.js").Peer;', "packages/core/src/endpoint.js", "Peer"],
  ])("see where %s leads", (text, target, name) => {
    const [imported] = importsOf(inWire(text));
    expect(imported).toMatchObject({ target, names: [name] });
    expect(refusedImports([inWire(text)], isIn("packages/core/src/wire"))).toHaveLength(1);
  });
});
