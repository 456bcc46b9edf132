import { expect, it } from "vitest";
import { runProgram } from "../test/docs/run-program.js";

it("quickstart sends a message and receives it", () => {
  expect(runProgram("examples/quickstart.ts")).toEqual({
    status: 0,
    stdout: "board: a message of 4000 bytes, whole\ngateway: delivered\n",
    stderr: "",
  });
});
