import { appendFileSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, afterEach, beforeAll, expect, it } from "vitest";
import { RunningProgram } from "./running-program.js";

let folder = "";
let program: RunningProgram | undefined;
beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), "fardel-readings-"));
});
afterEach(() => program?.stop("SIGKILL"));
afterAll(() => rmSync(folder, { recursive: true, force: true }));

/** Starts it, and waits until all stations have been heard in one turn. */
async function collect(file: string): Promise<RunningProgram> {
  program = new RunningProgram("examples/collect-readings.ts", ["--file", file, "--every-s", "1"]);
  await program.line(/^Collecting from 5 stations into .*readings.*\. Ctrl-C ends it\.$/);
  await program.line(/^[\d:]{8} UTC \d+ readings of 5 stations, coldest -?[\d.]+ °C at row-\d$/);
  return program;
}

interface Line {
  readonly at: string;
  readonly station: string;
  readonly reading: { readonly airC?: number; readonly fan?: string; readonly number: number };
}

/** Whole lines only; the last one ends, too. */
function linesOf(file: string): string[] {
  const text = readFileSync(file, "utf8");
  expect(text.endsWith("\n")).toBe(true);
  return text.slice(0, -1).split("\n");
}

it("collect-readings writes readings, and goes on where it was", async () => {
  const file = join(folder, "readings.jsonl");
  const first = await collect(file);
  expect(await first.stop("SIGINT")).toBe(0);
  expect(first.lines.at(-1)).toBe("Stopped.");
  expect(first.stderr).toBe("");
  const before = linesOf(file);
  const readings = before.map((line) => JSON.parse(line) as Line);
  expect(new Set(readings.map(({ station }) => station)).size).toBe(5);
  for (const { at, reading } of readings) {
    expect(new Date(at).toISOString()).toBe(at);
    expect(reading.number).toBeGreaterThan(0);
    expect(reading.airC ?? reading.fan).toBeDefined();
  }

  // The next one dies without a warning, and the power fails in the middle of a line.
  const second = await collect(file);
  expect(await second.stop("SIGKILL")).toBe("SIGKILL");
  const killed = linesOf(file);
  expect(killed.slice(0, before.length)).toEqual(before);
  expect(killed.length).toBeGreaterThan(before.length);
  appendFileSync(file, '{"at":"2026-');

  const third = await collect(file);
  expect(await third.stop("SIGTERM")).toBe(0);
  expect(third.lines[0]).toMatch(/^The last line of .* was cut short\./);
  const after = linesOf(file);
  expect(after.slice(0, killed.length + 1)).toEqual([...killed, '{"at":"2026-']);
  const added = after.slice(killed.length + 1);
  expect(added.length).toBeGreaterThanOrEqual(5);
  for (const line of [...killed, ...added]) expect(() => JSON.parse(line)).not.toThrow();
});

it("collect-readings says what is wrong with its command line and its file", async () => {
  for (const [args, sentence] of [
    [["--every-s", "soon"], /^--every-s must be a number of seconds from 0\.1 to 86400\.\n$/],
    [["--file", folder], /cannot be written: EISDIR.* Choose another --file\.\n$/],
  ] as const) {
    const failing = new RunningProgram("examples/collect-readings.ts", args);
    expect(await failing.exit).toBe(2);
    expect(failing.stderr).toMatch(sentence);
  }
});

it("collect-readings ends with 1 when the disk is full", async () => {
  // The device of Linux that is always full.
  const args = ["--file", "/dev/full"];
  program = new RunningProgram("examples/collect-readings.ts", args);
  expect(await program.exit).toBe(1);
  expect(program.stderr).toMatch(/^\/dev\/full cannot be written: ENOSPC/);
});
