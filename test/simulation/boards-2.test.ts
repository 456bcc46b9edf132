import { describe } from "vitest";
import { lacksCommands } from "../system-commands.js";
import { sweep } from "./sweep.js";

describe.skipIf(lacksCommands("clang", "wasm-ld"))("C and C", () => {
  sweep(5001, 1000, { boards: "c-c" });
});
