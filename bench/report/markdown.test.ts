import { describe, expect, it } from "vitest";
import { groupDigits, markdownTable, noteList, parseNotes } from "./markdown.js";
import { REPORTED } from "./report.js";

describe("a table in Markdown", () => {
  it("has the columns of all rows but those that are hidden, numbers to the right", () => {
    const rows = [
      { bench: "fans", name: "north", loss: 0.1, bytes: 131072 },
      { bench: "fans", name: "a|b", loss: 0.25, worst: 0.5 },
    ];
    expect(markdownTable(rows, { hidden: ["worst"] })).toBe(
      [
        "| name  | loss |   bytes |",
        "| ----- | ---: | ------: |",
        "| north |  0.1 | 131,072 |",
        "| a\\|b  | 0.25 |         |",
      ].join("\n"),
    );
  });

  it("says of each row whether its bar is met, and which is missed", () => {
    const rows = [
      { bench: "fans", share: 0.94, bar: 0.93 },
      { bench: "fans", share: 0.92, bar: 0.93 },
      { bench: "fans", share: 0.92 },
    ];
    const table = markdownTable(rows, { bars: [{ column: "share", sense: "at-least" }] });
    expect(table.split("\n").map((line) => line.split("|").at(-2)?.trim())).toEqual([
      "verdict",
      "-----------------",
      "met",
      "**missed: share**",
      "",
    ]);
  });

  it("is folded away when it is long", () => {
    const rows = Array.from({ length: 31 }, (_, n) => ({ bench: "fans", n }));
    expect(markdownTable(rows.slice(1))).not.toContain("<details>");
    const folded = markdownTable(rows);
    expect(folded).toMatch(/^<details>\n<summary>Table of 31 rows<\/summary>\n\n\|/);
    expect(folded).toMatch(/\|\n\n<\/details>$/);
  });

  it("puts thousands apart, and leaves fractions as they are", () => {
    const numbers = [0, 999, 1000, 131072, 1234567.5, 0.12345, -1000];
    expect(numbers.map(groupDigits)).toEqual([
      "0",
      "999",
      "1,000",
      "131,072",
      "1,234,567.5",
      "0.12345",
      "-1,000",
    ]);
  });
});

describe("notes", () => {
  const lines = [
    "loss        of datagrams,",
    "            each way",
    "P50, P99    median and more",
    "ratio ours ÷ theirs",
  ];

  it("are told line by line, with what goes on below", () => {
    expect(parseNotes(lines)).toEqual([
      { term: "loss", text: "of datagrams, each way" },
      { term: "P50, P99", text: "median and more" },
      { term: "ratio", text: "ours ÷ theirs" },
    ]);
    expect(noteList(lines, ["ratio"])).toBe(
      "- `loss`: of datagrams, each way\n- `P50, P99`: median and more",
    );
  });

  it.each(REPORTED.map(({ name, notes }) => ({ name, notes })))(
    "of $name can be told that way",
    ({ notes }) => {
      for (const { term, text } of parseNotes(notes)) {
        expect(term).toMatch(/^\S.{0,30}$/);
        expect(text).toMatch(/^\S.*[^.\s]$/);
      }
    },
  );
});
