import { spawnSync } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { replayBoard } from "./conversation-board.js";
import type { Conversation } from "./conversation-plan.js";
import { FILE } from "./make-conversations.js";
import { lacksCipherLibrary } from "./support/cipher-library.js";
import { FREESTANDING, ROOT, sourcesIn } from "./support/sources.js";
import { wasmProgram } from "./support/wasm-program.js";

const STRICT = [
  ...["-std=c99", "-Wall", "-Wextra", "-pedantic", "-Werror", "-Wshadow", "-Wconversion"],
  ...["-I", join(ROOT, "include"), "-c"],
];
const WAYS = ["CABLE", "CODE", "COMPARE", "RENEW"];
const COMPILERS = [
  ["gcc", ["-O2"]],
  ["clang", ["-O2"]],
  ["arm-none-eabi-gcc", ["-Os", "-mcpu=cortex-m0", "-mthumb", ...FREESTANDING]],
  ["powerpc-linux-gnu-gcc", ["-O3"]],
] as const;

/** Includes all headers as a program in C++ does. */
const PROGRAM_IN_CPP = `
#include "fardel/fardel.h"
#include "fardel/inbox.h"
#include "fardel/keys.h"
#include "fardel/pairing.h"
unsigned char endpoint[FARDEL_BYTES(250, 1, 7)];
int main() {
  fardel_pairing pairing = {};
  fardel_pairing_config config = {};
  fardel_keys record = {};
  return fardel_pairing_open(&pairing, &config, 0, 0) + record.count;
}
`;

describe("the options of pairing and protection", () => {
  let folder = "";
  beforeAll(() => {
    folder = mkdtempSync(join(tmpdir(), "fardel-options-"));
  });
  afterAll(() => rmSync(folder, { recursive: true, force: true }));

  const said = (command: string, words: readonly string[]) => {
    const { status, stderr, error } = spawnSync(command, words, { encoding: "utf8", cwd: folder });
    return `${stderr}${status === 0 ? "" : (error?.message ?? `Exit code ${status}.`)}`;
  };
  const pairing = () => sourcesIn("src/pairing", "src/crypto");

  for (const [compiler, options] of COMPILERS) {
    describe.skipIf(lacksCommands(compiler))(`with ${compiler}`, () => {
      it("an endpoint with keys compiles without a word, for one peer too", () => {
        const endpoint = sourcesIn("src/endpoint", "src/inbox");
        const words = [...STRICT, ...options, "-DFARDEL_PROTECTED"];
        expect(said(compiler, [...words, ...endpoint])).toBe("");
        expect(said(compiler, [...words, "-DFARDEL_ONE_PEER", ...endpoint])).toBe("");
      }, 120_000);

      it.each(WAYS)(
        "pairing compiles without %s, and with it alone",
        (way) => {
          const others = WAYS.filter((each) => each !== way);
          const without = [`-DFARDEL_PAIRING_${way}=0`];
          const alone = others.map((each) => `-DFARDEL_PAIRING_${each}=0`);
          for (const defines of [without, alone])
            expect(said(compiler, [...STRICT, ...options, ...defines, ...pairing()])).toBe("");
        },
        120_000,
      );
    });
  }

  describe.skipIf(lacksCommands("gcc"))("that do not go together", () => {
    it("are refused in a sentence", () => {
      const guard = join(ROOT, "src/endpoint/guard.c");
      const both = ["-DFARDEL_PROTECTED", "-DFARDEL_SMALL"];
      expect(said("gcc", [...STRICT, ...both, guard])).toContain("needs candidates");
      const none = WAYS.map((each) => `-DFARDEL_PAIRING_${each}=0`);
      expect(said("gcc", [...STRICT, ...none, ...pairing()])).toContain("Keep one way of pairing");
    });

    it("leave nothing of the keys in an endpoint without them", () => {
      const guard = join(ROOT, "src/endpoint/guard.c");
      expect(said("gcc", [...STRICT, "-Os", guard, "-o", "guard.o"])).toBe("");
      const { stdout } = spawnSync("nm", ["guard.o"], { encoding: "utf8", cwd: folder });
      expect(stdout).toBe("");
    });
  });

  describe.skipIf(lacksCommands("clang"))("for programs in C++", () => {
    it.each([[], ["-DFARDEL_PROTECTED"]])("the headers compile with %s", (...defines) => {
      writeFileSync(join(folder, "program.cpp"), PROGRAM_IN_CPP);
      const options = ["-std=c++11", "-fsyntax-only", "-I", join(ROOT, "include")];
      expect(said("clang++", [...options, ...defines, "program.cpp"])).toBe("");
    });
  });

  describe.skipIf(lacksCommands("gcc") || lacksCipherLibrary())("the example of ciphers", () => {
    it("compiles without a word", () => {
      const example = join(ROOT, "examples/crypto-mbedtls.c");
      expect(said("gcc", [...STRICT, "-O2", example])).toBe("");
    });
  });
});

describe.skipIf(lacksCommands("clang", "wasm-ld"))(
  "an endpoint that has no key for anybody",
  () => {
    it("says the recorded conversations again, though it could protect", () => {
      const program = wasmProgram("endpoint", ["FARDEL_PROTECTED"]);
      const conversations = JSON.parse(readFileSync(FILE, "utf8")) as readonly Conversation[];
      for (const { seed, board, datagrams } of conversations)
        expect(replayBoard(program, board, datagrams) === board, `conversation ${seed}`).toBe(true);
    });
  },
);
