import { describe } from "vitest";
import { lacksCommands } from "../system-commands.js";
import { sweep } from "./sweep.js";

describe.skipIf(lacksCommands("clang", "wasm-ld"))("TypeScript and C", () => {
  sweep(1, 1000, { boards: "ts-c" });
});
