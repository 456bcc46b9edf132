import { afterEach, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../../test/system-commands.js";
import type { CProgram } from "./c-program.js";
import { nativeProgram } from "./native-program.js";
import { wasmProgram } from "./wasm-program.js";

const BACKENDS: readonly (readonly [string, boolean, () => CProgram])[] = [
  ["WebAssembly", lacksCommands("clang", "wasm-ld"), () => wasmProgram("self")],
  ["with sanitizers", lacksCommands("gcc"), () => nativeProgram("self", "sanitized")],
  [
    "on a big-endian processor",
    lacksCommands("powerpc-linux-gnu-gcc", "qemu-ppc"),
    () => nativeProgram("self", "big-endian"),
  ],
];
const SILENT = () => 0;

for (const [name, isLeftOut, open] of BACKENDS) {
  describe.skipIf(isLeftOut)(`a harness, ${name}`, () => {
    let program: CProgram | undefined;
    const opened = () => {
      program = open();
      return program;
    };
    afterEach(() => program?.close());

    it("takes eight ints, signed and unsigned, and gives one back", () => {
      const ints = [1, -2, 2 ** 31, 2 ** 32 - 1, -(2 ** 31), 5, 6, 7];
      expect(opened().call(SILENT, "self_mix", ints)).toBe(
        ints.reduce((mixed, each) => (Math.imul(mixed, 31) + each) | 0, 0),
      );
    });

    it("calls back with ints and bytes, and takes an int or bytes", () => {
      const c = opened();
      const input = Uint8Array.from({ length: 65_536 }, (_, index) => (index * 7) % 251);
      const told: unknown[] = [];
      const sum = c.call(
        (what, value, bytes, number) => {
          told.push([what, number, value, bytes]);
          return what === 1 ? 2 ** 32 - 3 : Uint8Array.of(1, 2, 250);
        },
        "self_echo",
        [input.length, -9],
        input,
      );
      expect(sum).toBe(253 - 3);
      expect(told).toEqual([
        [1, 5, -9, input],
        [2, 6, input.length, new Uint8Array()],
      ]);
    });

    it("is called from within its callbacks", () => {
      const c = opened();
      const depthOf = (left: number): number =>
        c.call((_what, value) => (value > 0 ? depthOf(value - 1) : 0), "self_nest", [left]);
      expect(depthOf(20)).toBe(21);
    });

    it("has a memory of its own", () => {
      const one = opened();
      const other = open();
      expect(one.call(SILENT, "self_count", [])).toBe(1);
      expect(one.call(SILENT, "self_count", [])).toBe(2);
      expect(other.call(SILENT, "self_count", [])).toBe(1);
      other.close();
    });

    it("says which function is not there, and what is too much", () => {
      const c = opened();
      expect(() => c.call(SILENT, "self_nothing", [])).toThrow("no function self_nothing");
      expect(() => c.call(SILENT, "self_mix", [1, 2, 3, 4, 5, 6, 7, 8, 9])).toThrow("8 arguments");
      const bytes = new Uint8Array(65_537);
      expect(() => c.call(SILENT, "self_echo", [0, 0], bytes)).toThrow("65536 bytes");
      expect(c.call(SILENT, "self_count", [])).toBe(1);
    });

    it("passes on what a callback throws", () => {
      const c = opened();
      const broken = () => {
        throw new Error("as told");
      };
      for (let left = name === "WebAssembly" ? 5000 : 1; left > 0; left--)
        expect(() => c.call(broken, "self_nest", [1])).toThrow("as told");
    });

    it("ends with an error when it crashes", () => {
      const c = opened();
      expect(() => c.call(SILENT, "self_crash", [])).toThrow();
    });
  });
}

describe.skipIf(lacksCommands("gcc"))("the sanitizers", () => {
  it.each([
    ["self_overrun", /heap-buffer-overflow|insufficient space/],
    ["self_overflow", /signed integer overflow/],
    ["self_unaligned", /misaligned address/],
  ])("report %s", (name, report) => {
    const program = nativeProgram("self", "sanitized");
    expect(() => program.call(SILENT, name, [2 ** 31 - 1])).toThrow(report);
    expect(() => program.call(SILENT, "self_count", [])).toThrow("closed");
  });
});
