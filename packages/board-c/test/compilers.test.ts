import { spawnSync } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { lacksCommands, type SystemCommand } from "../../../test/system-commands.js";
import { FREESTANDING, ROOT, sourcesIn } from "./support/sources.js";

const STRICT = [
  ...["-Wall", "-Wextra", "-pedantic", "-Werror", "-Wshadow", "-Wconversion"],
  ...["-I", join(ROOT, "include")],
];

/** Compilers, each with what makes it compile for a processor that boards have. */
const COMPILERS: readonly (readonly [SystemCommand, readonly string[]])[] = [
  ["gcc", ["-O2"]],
  ["clang", ["-O2"]],
  ["arm-none-eabi-gcc", ["-Os", "-mcpu=cortex-m0", "-mthumb", ...FREESTANDING]],
  ["riscv64-unknown-elf-gcc", ["-Os", "-march=rv32imc", "-mabi=ilp32", ...FREESTANDING]],
  ["powerpc-linux-gnu-gcc", ["-O3"]],
];

/** Includes all headers as a program in C++ does, and uses their macros. */
const PROGRAM_IN_CPP = `
#include "fardel/fardel.h"
#include "fardel/inbox.h"
#include "fardel/bridge.h"
unsigned char endpoint[FARDEL_BYTES(250, 1, 7)];
unsigned char inbox[FARDEL_INBOX_BYTES(250, 2)];
unsigned char bridge[FARDEL_BRIDGE_BYTES(250, 6, 8, 3, 4, 200)];
int main() {
  fardel_message message = {};
  fardel_config config = {};
  return fardel_text(FARDEL_OK) && fardel_bytes(&config) == message.length;
}
`;

describe("the libraries compile without a word", () => {
  let folder = "";
  beforeAll(() => {
    folder = mkdtempSync(join(tmpdir(), "fardel-compilers-"));
  });
  afterAll(() => rmSync(folder, { recursive: true, force: true }));

  const compile = (compiler: string, words: readonly string[]) => {
    const options = { encoding: "utf8", cwd: folder } as const;
    const { status, stderr, error } = spawnSync(compiler, [...STRICT, ...words], options);
    return `${stderr}${status === 0 ? "" : (error?.message ?? `Exit code ${status}.`)}`;
  };

  for (const [compiler, options] of COMPILERS) {
    describe.skipIf(lacksCommands(compiler))(`with ${compiler}`, () => {
      it(`for ${options.slice(0, 2).join(" ")}`, () => {
        const words = ["-std=c99", "-c", ...options, ...sourcesIn("src")];
        expect(compile(compiler, words)).toBe("");
      });
    });
  }

  describe.skipIf(lacksCommands("clang"))("for programs in C++", () => {
    it.each(["c++98", "c++17"])("by %s", (standard) => {
      const file = join(folder, "program.cpp");
      writeFileSync(file, PROGRAM_IN_CPP);
      expect(compile("clang", [`-std=${standard}`, "-fsyntax-only", file])).toBe("");
    });
  });
});
