import { describe, vi } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";

// The tests of the reference, with the bridge in C in its place: the core alone, behind a line and a
// radio, and between endpoints whose line loses, flips and inserts bytes and whose boards restart.
vi.mock("../../serial-bridge/src/bridge/bridge-core.js", async () => {
  const { BoardBridgeCore } = await import("./board-bridge-core.js");
  const { wasmProgram } = await import("./support/wasm-program.js");
  const program = wasmProgram("bridge");
  class BridgeCore extends BoardBridgeCore {
    constructor(options: ConstructorParameters<typeof BoardBridgeCore>[1], nowUs: number) {
      super(program, options, nowUs);
    }
  }
  return { BridgeCore };
});

describe.skipIf(lacksCommands("clang", "wasm-ld"))("the bridge in C as WebAssembly", async () => {
  await import("../../serial-bridge/src/bridge/bridge-core.test.js");
  await import("../../serial-bridge/src/bridge/bridge.test.js");
  await import("../../serial-bridge/src/through-a-bridge.test.js");
});
