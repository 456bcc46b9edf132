import { describe, expect, it } from "vitest";
import { count, counted, percent } from "./text.js";
import { type Screen, Timeline } from "./timeline.js";
import type { DemoEvent } from "./transfer.js";

function shown(settings: Partial<Screen>, ...events: [DemoEvent["type"], number][]): string {
  let text = "";
  const timeline = new Timeline(
    {
      write: (part) => {
        text += part;
      },
      isTerminal: false,
      hasColour: false,
      columns: 80,
      ...settings,
    },
    1000,
  );
  for (const [index, [type, acknowledgedBytes]] of events.entries()) {
    timeline.show({ type, acknowledgedBytes, atUs: index * 1_500_000 });
  }
  timeline.end();
  return text;
}

describe("the timeline", () => {
  it("is plain lines where a line cannot be drawn again, one for each tenth", () => {
    const text = shown(
      {},
      ["blob-sent", 0],
      ["blob-progressed", 99],
      ["blob-progressed", 120],
      ["blob-progressed", 199],
      ["command-arrived", 199],
      ["blob-progressed", 1000],
    );
    expect(text.split("\n")).toEqual([
      "   0.000 s  blob sent: 1,000 bytes, bulk",
      "   3.000 s  120 bytes (12 %) of the blob acknowledged",
      "   6.000 s  command arrived; of the blob 199 bytes (20 %) were acknowledged by then",
      "   7.500 s  1,000 bytes (100 %) of the blob acknowledged",
      "",
    ]);
  });

  it("draws one line again on a terminal, and wipes it before an event", () => {
    const text = shown(
      { isTerminal: true },
      ["blob-progressed", 500],
      ["blob-progressed", 999],
      ["blob-arrived", 999],
    );
    const bar = "###############...............";
    expect(text).toContain(`\r\x1b[2K   0.000 s  [${bar}]  50 %  500 of 1,000 bytes`);
    expect(text).toContain("  99 %  999 of 1,000 bytes");
    const after = text.slice(text.indexOf("999 of 1,000 bytes") + "999 of 1,000 bytes".length);
    expect(after.split("\r\x1b[2K")).toEqual([
      "",
      expect.stringMatching(/^ {3}3\.000 s {2}blob arrived\n.*999 of 1,000 bytes$/),
      "",
    ]);
    expect(text).not.toContain("\x1b[3");
  });

  it("colours only if it may", () => {
    expect(shown({ isTerminal: true, hasColour: true }, ["blob-progressed", 500])).toContain(
      "\x1b[32m###############\x1b[39m",
    );
  });

  it("fits a narrow terminal", () => {
    for (const columns of [1, 40, 60, 200]) {
      const text = shown({ isTerminal: true, columns }, ["blob-progressed", 1000]);
      expect(text.split("#").length - 1).toBe(Math.max(0, Math.min(30, columns - 48)));
    }
  });
});

describe("figures", () => {
  it("have commas, plurals, and say 100 % of the whole only", () => {
    expect([0, 999, 1000, 12345, 1234567].map(count)).toEqual([
      "0",
      "999",
      "1,000",
      "12,345",
      "1,234,567",
    ]);
    expect([counted(1, "fragment"), counted(2, "fragment")]).toEqual(["1 fragment", "2 fragments"]);
    expect([percent(0, 0), percent(999, 1000), percent(1, 3), percent(9, 3)]).toEqual([
      "100 %",
      "99 %",
      "33 %",
      "300 %",
    ]);
  });
});
