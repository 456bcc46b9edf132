import { describe } from "vitest";
import { lacksCommands } from "../system-commands.js";
import { sweep } from "./sweep.js";

describe.skipIf(lacksCommands("gcc"))("with sanitizers", () => {
  sweep(9001, 10, { boards: "ts-c", boardTarget: "sanitized" });
  sweep(9101, 10, { boards: "c-c", boardTarget: "sanitized" });
  sweep(9301, 10, { boards: "ts-c", boardTarget: "small" });
});

describe.skipIf(lacksCommands("powerpc-linux-gnu-gcc", "qemu-ppc"))(
  "on a big-endian processor",
  () => {
    sweep(9201, 10, { boards: "ts-c", boardTarget: "big-endian" });
  },
);
