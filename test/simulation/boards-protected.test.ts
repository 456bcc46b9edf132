import { describe } from "vitest";
import { lacksCommands } from "../system-commands.js";
import { sweep } from "./sweep.js";

describe.skipIf(lacksCommands("clang", "wasm-ld"))("TypeScript and C, with keys", () => {
  sweep(30_001, 200, { boards: "ts-c", isProtected: true });
});

describe.skipIf(lacksCommands("clang", "wasm-ld"))("C and C, with keys", () => {
  sweep(31_001, 150, { boards: "c-c", isProtected: true });
});

describe.skipIf(lacksCommands("gcc"))("boards with sanitizers and keys", () => {
  sweep(32_001, 3, { boards: "ts-c", boardTarget: "sanitized", isProtected: true });
});

describe.skipIf(lacksCommands("powerpc-linux-gnu-gcc", "qemu-ppc"))(
  "boards of the other byte order, with keys",
  () => {
    sweep(33_001, 2, { boards: "ts-c", boardTarget: "big-endian", isProtected: true });
  },
);
