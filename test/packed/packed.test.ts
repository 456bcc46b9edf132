import { type SpawnSyncOptions, spawnSync } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, beforeAll, describe, expect, it } from "vitest";

const root = fileURLToPath(new URL("../..", import.meta.url));
const SLOW_MS = 5 * 60_000;

interface PackedPackage {
  readonly folder: string;
  readonly name: string;
  readonly tarball: string;
}

/** An empty folder outside the workspace: only what is in the tarballs can be found from there. */
const project = mkdtempSync(join(tmpdir(), "fardel-packed-"));
let packages: readonly PackedPackage[] = [];

/** Runs a program in the project and returns its output; throws with all it said if it fails. */
function run(command: string, args: readonly string[], options: SpawnSyncOptions = {}): string {
  const result = spawnSync(command, args, { cwd: project, encoding: "utf8", ...options });
  if (result.status !== 0) {
    throw new Error(`${command} ${args.join(" ")} failed:\n${result.stdout}${result.stderr}`);
  }
  return String(result.stdout);
}

const evaluate = (kind: "module" | "commonjs", code: string): unknown =>
  JSON.parse(run(process.execPath, [`--input-type=${kind}`, "--eval", code]));

/** `@fardel/core`, `@fardel/core/conformance`, …: whatever the tarballs' manifests export. */
function entries(): string[] {
  return packages.flatMap(({ name }) => {
    const manifest = join(project, "node_modules", name, "package.json");
    const { exports } = JSON.parse(readFileSync(manifest, "utf8")) as { exports?: object };
    return Object.keys(exports ?? {})
      .filter((entry) => !entry.endsWith(".json"))
      .map((entry) => join(name, entry).replaceAll("\\", "/"));
  });
}

beforeAll(() => {
  const script = join(root, "scripts/pack.mjs");
  const packCode = `
    const { packPackages } = await import(${JSON.stringify(script)});
    console.log(JSON.stringify(packPackages(${JSON.stringify(join(project, "tarballs"))})));
  `;
  packages = evaluate("module", packCode) as PackedPackage[];
  writeFileSync(join(project, "package.json"), '{ "name": "consumer", "private": true }\n');
  const tarballs = packages.map(({ tarball }) => tarball);
  // From its cache where it can: the only thing that may come from elsewhere is a dependency.
  const flags = ["--prefer-offline", "--no-audit", "--no-fund", "--loglevel=error"];
  run("npm", ["install", ...flags, ...tarballs], { shell: process.platform === "win32" });
}, SLOW_MS);

afterAll(() => rmSync(project, { recursive: true, force: true }));

describe("the packed packages, installed in an empty project", () => {
  it("are all there, with the entries that the documentation names", () => {
    expect(entries()).toEqual(
      expect.arrayContaining([
        "@fardel/capture",
        "@fardel/core",
        "@fardel/core/conformance",
        "@fardel/core/wire",
        "@fardel/lab/node",
        "@fardel/lossy-link",
        "@fardel/msgpack",
        "@fardel/pairing",
        "@fardel/pairing/node",
        "@fardel/serial-bridge",
        "@fardel/serial-bridge/node",
        "@fardel/serial-bridge/web",
        "@fardel/udp-link",
      ]),
    );
  });

  it("hold no sources, no tests and no workspace links", () => {
    for (const { name } of packages) {
      const folder = join(project, "node_modules", name);
      const manifest = readFileSync(join(folder, "package.json"), "utf8");
      expect(manifest).not.toContain("workspace:");
      const code = `
        const { readdirSync } = require("node:fs");
        console.log(JSON.stringify(readdirSync(${JSON.stringify(folder)}, { recursive: true })));
      `;
      const files = evaluate("commonjs", code) as string[];
      expect(files).toContain("LICENSE");
      expect(files.filter((file) => /(?:^|[\\/])src[\\/]|\.test\.|tsconfig/.test(file))).toEqual(
        [],
      );
    }
  });

  it("give the same names to import and to require", () => {
    for (const entry of entries()) {
      const list = "console.log(JSON.stringify(Object.keys(entry).sort()))";
      const imported = evaluate("module", `import * as entry from "${entry}"; ${list}`);
      const required = evaluate("commonjs", `const entry = require("${entry}"); ${list}`);
      expect(imported, entry).toEqual(required);
      expect(imported, entry).not.toEqual([]);
    }
  });

  it("work: a value makes the round trip through MessagePack, from import and from require", () => {
    const use = "console.log(JSON.stringify(decodeValue(encodeValue({ airC: [1.5, -0.5] }))))";
    const names = "{ decodeValue, encodeValue }";
    const reading = { airC: [1.5, -0.5] };
    expect(evaluate("module", `import ${names} from "@fardel/msgpack"; ${use}`)).toEqual(reading);
    expect(evaluate("commonjs", `const ${names} = require("@fardel/msgpack"); ${use}`)).toEqual(
      reading,
    );
  });

  it("bring the command", () => {
    const command = join(project, "node_modules/.bin/fardel");
    const shell = process.platform === "win32";
    expect(run(command, ["--version"], { shell }).trim()).toBe("0.1.0");
    for (const name of ["send", "receive", "ports", "simulate", "estimate", "trace", "monitor"]) {
      expect(run(command, [name, "--help"], { shell })).toContain("Example");
    }
  });

  it("bring what the command shows in a browser: reports, and the page", () => {
    const installed = join(project, "node_modules/@fardel");
    const scenario = join(installed, "cli/scenarios/one-table.jsonc");
    const command = join(project, "node_modules/.bin/fardel");
    const shell = process.platform === "win32";
    run(command, ["simulate", scenario, "--seeds", "2", "--html", "report.html"], { shell });
    const report = readFileSync(join(project, "report.html"), "utf8");
    expect(report).toMatch(/^<!DOCTYPE html>/);
    expect(report).toContain("<svg");
    // What was put into it of others' is named.
    expect(readFileSync(join(installed, "cli/dist/THIRD-PARTY.txt"), "utf8")).toContain("Apache");
    expect(readFileSync(join(installed, "lab/dist/index.html"), "utf8")).toContain("<title>Fardel");
    const script = readFileSync(join(installed, "capture/dissector/fardel.lua"), "utf8");
    expect(script).toContain("Proto");
  });

  it(
    "type-check in a strict program, as ES module and as CommonJS",
    () => {
      const program = `
      import { type Clock, type Link, type SendOutcome, SystemClock } from "@fardel/core";
      import { decodeValue, sendValue } from "@fardel/msgpack";
      ${entries()
        .map((entry, index) => `import * as entry${index} from "${entry}";`)
        .join("\n")}

      export const clock: Clock = new SystemClock();
      export const outcomes: SendOutcome[] = ["sent", "gone"];
      export const mtuBytes = (link: Link): number => link.mtuBytes;
      export const value: unknown = decodeValue(Uint8Array.of(1));
      const peer = { send: (bytes: Uint8Array, options?: { priority?: number }) => bytes.length };
      export const sentBytes: number = sendValue(peer, { fan: "on" }, { priority: 7 });
      // @ts-expect-error -- a wrong use must be found, or the types are all "any"
      export const wrong: string = new SystemClock().nowUs();
      export const used: object[] = [${entries().map((_, index) => `entry${index}`)}];
    `;
      writeFileSync(join(project, "consumer.mts"), program);
      writeFileSync(join(project, "consumer.cts"), program);
      const compilerOptions = {
        strict: true,
        exactOptionalPropertyTypes: true,
        noEmit: true,
        target: "ES2022",
        module: "NodeNext",
        types: [],
        skipLibCheck: false,
      };
      const settings = { compilerOptions, files: ["consumer.mts", "consumer.cts"] };
      writeFileSync(join(project, "tsconfig.json"), JSON.stringify(settings));
      run(process.execPath, [join(root, "node_modules/typescript/bin/tsc"), "-p", project]);
    },
    SLOW_MS,
  );
});
