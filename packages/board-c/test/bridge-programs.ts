import { afterAll, describe } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import type { CProgram } from "./support/c-program.js";
import { nativeProgram } from "./support/native-program.js";
import { wasmProgram } from "./support/wasm-program.js";

/** The bridge in C as it runs under test. */
export interface RunningBridge {
  readonly program: CProgram;
  /** Ends it: the next use of `program` begins anew. */
  end(): void;
}

const BUILDS = [
  {
    name: "as WebAssembly",
    isLacking: lacksCommands("clang", "wasm-ld"),
    slowness: 1,
    open: () => wasmProgram("bridge"),
  },
  {
    name: "with sanitizers",
    isLacking: lacksCommands("gcc"),
    slowness: 10,
    open: () => nativeProgram("bridge", "sanitized"),
  },
  {
    name: "on a processor of the other byte order",
    isLacking: lacksCommands("powerpc-linux-gnu-gcc", "qemu-ppc"),
    slowness: 10,
    open: () => nativeProgram("bridge", "big-endian"),
  },
];

/**
 * The same tests for each way in which the bridge in C runs.
 * @param body - `slowness`: how much longer a call takes there than in this process, about
 */
export function describeBridges(
  title: string,
  body: (bridge: RunningBridge, slowness: number) => void,
): void {
  for (const { name, isLacking, slowness, open } of BUILDS) {
    describe.skipIf(isLacking)(`${title}, ${name}`, () => {
      let running: CProgram | undefined;
      const bridge: RunningBridge = {
        get program() {
          running ??= open();
          return running;
        },
        end() {
          running?.close();
          running = undefined;
        },
      };
      afterAll(() => bridge.end());
      body(bridge, slowness);
    });
  }
}
