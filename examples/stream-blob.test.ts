import { expect, it } from "vitest";
import { runProgram } from "../test/docs/run-program.js";

it("stream-blob brings 200,000 bytes to a board that never holds more than its limit", () => {
  const { status, stdout, stderr } = runProgram("examples/stream-blob.ts");
  expect(stderr).toBe("");
  expect(status).toBe(0);
  const [stored = "", delivered] = stdout.split("\n");
  expect(delivered).toBe("gateway: delivered; the board's copy is the same");
  const held = /^board: 200000 bytes stored, at most (\d+) held$/.exec(stored)?.[1];
  expect(Number(held)).toBeGreaterThan(0);
  // What is not read yet, 2,048 bytes, and the window of 8 full datagrams.
  expect(Number(held)).toBeLessThanOrEqual(2048 + 8 * 250);
});
