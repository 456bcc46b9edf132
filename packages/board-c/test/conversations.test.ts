import { readFileSync } from "node:fs";
import { afterAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { replayBoard } from "./conversation-board.js";
import { type Conversation, drawConversation } from "./conversation-plan.js";
import { replayTypeScript } from "./conversation-typescript.js";
import { FILE, makeConversations, render } from "./make-conversations.js";
import type { CProgram } from "./support/c-program.js";
import { nativeProgram } from "./support/native-program.js";
import { wasmProgram } from "./support/wasm-program.js";

const text = readFileSync(FILE, "utf8");
const conversations = JSON.parse(text) as readonly Conversation[];
/** How many are played where each call goes to another process. */
const FEW = 60;

/** The first word that differs, with some before it, and how it was. */
function difference(now: string, recorded: string): string {
  if (now === recorded) return "";
  const [is, was] = [now.split(" "), recorded.split(" ")];
  const at = was.findIndex((word, index) => word !== is[index]);
  const place = at < 0 ? was.length : at;
  const before = was.slice(Math.max(0, place - 8), place).join(" ");
  return `word ${place} behind "${before}" is ${is[place]}, was ${was[place]}`;
}

describe("recorded conversations", () => {
  it("hold what they are for", () => {
    expect(conversations.length).toBe(300);
    expect(text.length).toBeLessThan(1_000_000);
    const letters = (side: "typescript" | "board") =>
      new Set(conversations.flatMap((each) => each[side].split(" ").map((word) => word[0])));
    expect([...letters("typescript")].sort().join("")).toBe("demoqrstx");
    expect([...letters("board")].sort().join("")).toBe("Ocdemoprsuwx");
  });

  it("are said again by TypeScript, to the byte and the microsecond", async () => {
    for (const { seed, typescript, datagrams } of conversations) {
      const now = await replayTypeScript(drawConversation(seed), typescript, datagrams);
      expect(difference(now, typescript), `conversation ${seed}`).toBe("");
    }
  });
});

const BACKENDS: readonly (readonly [string, boolean, number, () => CProgram])[] = [
  ["WebAssembly", lacksCommands("clang", "wasm-ld"), 300, () => wasmProgram("endpoint")],
  [
    "of one peer alone",
    lacksCommands("clang", "wasm-ld"),
    300,
    () => wasmProgram("endpoint", ["FARDEL_ONE_PEER"]),
  ],
  ["with sanitizers", lacksCommands("gcc"), FEW, () => nativeProgram("endpoint", "sanitized")],
  [
    "on a big-endian processor",
    lacksCommands("powerpc-linux-gnu-gcc", "qemu-ppc"),
    FEW,
    () => nativeProgram("endpoint", "big-endian"),
  ],
];

for (const [name, isLeftOut, count, open] of BACKENDS) {
  describe.skipIf(isLeftOut)(`recorded conversations in C, ${name}`, () => {
    let program: CProgram | undefined;
    afterAll(() => program?.close());

    it("are said again, to the byte and the microsecond", () => {
      const opened = open();
      program = opened;
      for (const { seed, board, datagrams } of conversations.slice(0, count)) {
        const now = replayBoard(opened, board, datagrams);
        expect(difference(now, board), `conversation ${seed}`).toBe("");
      }
    });
  });
}

describe.skipIf(lacksCommands("clang", "wasm-ld"))("the file of conversations", () => {
  it("is what make-conversations.ts writes", async () => {
    expect(render(await makeConversations()) === text).toBe(true);
  });
});
