import { expect, it } from "vitest";
import { runProgram } from "../test/docs/run-program.js";

it("request-reply prints two answers and one refusal", () => {
  const { status, stdout, stderr } = runProgram("examples/request-reply.ts");
  expect(stderr).toBe("");
  expect(status).toBe(0);
  expect(stdout.trimEnd().split("\n")).toEqual([
    "airC: -0.8",
    "batteryV: 3.7",
    expect.stringMatching(/^soilC: request-failed\. .*there is no reading named soilC$/),
  ]);
});
