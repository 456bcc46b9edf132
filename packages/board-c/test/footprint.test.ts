import { describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { measureAll, numbersOf, readmeTable } from "./footprint.js";
import { deepestChain, readCallGraph } from "./support/call-graph.js";

/** What an endpoint may take: datagrams of 250 bytes, one peer, a window of 8. Bytes. */
const LIMITS = { codeBytes: 15_900, memoryBytes: 3 * 1024, stackWithCallbacksBytes: 512 };
/** How far the README may be off: another release of a compiler saves a register more or less. */
const TOLERANCE = 0.02;

describe.skipIf(lacksCommands("arm-none-eabi-gcc", "riscv64-unknown-elf-gcc"))("footprint", () => {
  const rows = measureAll();

  it("is what the README says", () => {
    const said = readmeTable();
    for (const row of rows) {
      const name = `${row.library}, ${row.processor}`;
      const numbers = numbersOf(row);
      expect(said.get(name)?.length, `${name} in the README`).toBe(numbers.length);
      for (const [at, number] of numbers.entries()) {
        const off = Math.abs((said.get(name)?.[at] ?? 0) - number);
        expect(
          off,
          `${name}: ${said.get(name)} should be ${numbers}; footprint.ts --write`,
        ).toBeLessThanOrEqual(TOLERANCE * number);
      }
    }
    expect(said.size).toBe(rows.length);
  });

  it.each(["codeBytes", "memoryBytes", "stackWithCallbacksBytes"] as const)(
    "of an endpoint on a small processor is within the limit: %s",
    (what) => {
      const { footprint } = rows.find(
        ({ library, processor }) => library === "endpoint" && processor === "Cortex-M0",
      )!;
      expect(footprint[what]).toBeLessThanOrEqual(LIMITS[what]);
    },
  );
});

describe("the deepest chain of calls", () => {
  const node = (name: string, bytes: number, kind = "static") =>
    `node: { title: "${name}" label: "${name}\\nfile.c:1:2\\n${bytes} bytes (${kind})" }`;
  const edge = (from: string, to: string) =>
    `edge: { sourcename: "${from}" targetname: "${to}" label: "file.c:3:4" }`;

  it("is the one with the largest frames, through pointers too", () => {
    const graph = readCallGraph([
      [node("open", 8), node("file.c:short", 100), edge("open", "file.c:short")].join("\n"),
      [node("long", 60), node("longer", 50), edge("open", "long"), edge("long", "longer")].join(
        "\n",
      ),
      [edge("longer", "__indirect_call"), edge("longer", "memcpy")].join("\n"),
    ]);
    expect(deepestChain(graph, ["open"], [])).toEqual([
      { name: "open", bytes: 8 },
      { name: "long", bytes: 60 },
      { name: "longer", bytes: 50 },
    ]);
    const [, , , callback] = deepestChain(graph, ["open"], [{ name: "callback", bytes: 1 }]);
    expect(callback).toEqual({ name: "callback", bytes: 1 });
  });

  it("has no bound if functions call each other in a circle, or have frames of any size", () => {
    const graph = readCallGraph([
      [node("a", 8), node("b", 8), edge("a", "b"), edge("b", "a")].join("\n"),
    ]);
    expect(() => deepestChain(graph, ["a"], [])).toThrow("A circle of calls: a > b > a");
    expect(() => readCallGraph([node("a", 8, "dynamic")])).toThrow("without a bound");
  });
});
