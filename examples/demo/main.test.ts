import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { runProgram } from "../../test/docs/run-program.js";
import { HELP } from "./options.js";

const demo = (...args: string[]) => runProgram("examples/demo/main.ts", args);
let folder = "";

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), "fardel-demo-"));
});
afterAll(() => rmSync(folder, { recursive: true, force: true }));

describe("npm run demo, as a process", () => {
  it("pushes the table and says that it arrived whole, the same each time", () => {
    const one = demo();
    expect(one.stderr).toBe("");
    expect(one.status).toBe(0);
    expect(one.stdout).toContain("Arrived whole   yes");
    expect(one.stdout).not.toContain("\x1b");
    expect(demo().stdout).toBe(one.stdout);
  });

  it("pushes the file that it is given", () => {
    const file = join(folder, "blob.bin");
    writeFileSync(file, Buffer.alloc(5000, "whole or not at all"));
    const { status, stdout } = demo("--seed", "8", "--window", "8", file);
    expect(status).toBe(0);
    expect(stdout).toContain("A gateway pushes blob.bin to a board: your file, 5,000 bytes.");
    // Computed apart from this program.
    expect(stdout).toContain("470bc143e0486b70");
  });

  it("exits with 1 when the blob did not arrive", () => {
    const { status, stdout } = demo("--loss", "1");
    expect(status).toBe(1);
    expect(stdout).toContain("Arrived whole   NO");
  });

  it("gives help", () => {
    expect(demo("--help")).toMatchObject({ status: 0, stdout: HELP, stderr: "" });
  });

  it("answers what it cannot do with one line on stderr and 2", () => {
    const large = join(folder, "large.bin");
    writeFileSync(large, Buffer.alloc(16 * 1024 * 1024 + 1));
    for (const [args, sentence] of [
      [["--loss", "2"], "--loss must be a number from 0 to 1"],
      [["--nonsense"], "Unknown option '--nonsense'"],
      [[join(folder, "missing.csv")], "missing.csv cannot be read: ENOENT: no such file"],
      [[folder], "cannot be read: EISDIR"],
      [[large], "this demo takes at most 16777216"],
    ] as const) {
      const { status, stdout, stderr } = demo(...args);
      expect(status).toBe(2);
      expect(stdout).toBe("");
      expect(stderr).toContain(sentence);
      expect(stderr.trimEnd().split("\n")).toHaveLength(1);
    }
  });

  it("runs in real time", () => {
    const file = join(folder, "short.bin");
    writeFileSync(file, Buffer.alloc(700, 1));
    const { status, stdout } = demo("--speed", "real", file);
    expect(status).toBe(0);
    expect(stdout).toContain("real time");
    expect(stdout).toContain("Note");
  });
});
