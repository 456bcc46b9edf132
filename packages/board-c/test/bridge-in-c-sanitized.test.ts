import { describe, vi } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";

// As bridge-in-c.test.ts, with a program that ends at the first byte out of bounds.
vi.mock("../../serial-bridge/src/bridge/bridge-core.js", async () => {
  const { BoardBridgeCore } = await import("./board-bridge-core.js");
  const { nativeProgram } = await import("./support/native-program.js");
  const program = nativeProgram("bridge", "sanitized");
  class BridgeCore extends BoardBridgeCore {
    constructor(options: ConstructorParameters<typeof BoardBridgeCore>[1], nowUs: number) {
      super(program, options, nowUs);
    }
  }
  return { BridgeCore };
});

describe.skipIf(lacksCommands("gcc"))("the bridge in C with sanitizers", async () => {
  await import("../../serial-bridge/src/bridge/bridge-core.test.js");
  await import("../../serial-bridge/src/bridge/bridge.test.js");
  await import("../../serial-bridge/src/through-a-bridge.test.js");
});
