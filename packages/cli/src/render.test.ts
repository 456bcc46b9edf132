import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { printable } from "./output.js";
import { pad, tableLines, truncate, widthOf } from "./render.js";

describe("tables", () => {
  it("stand in columns, with figures to the right", () => {
    const columns = [{ title: "Peer" }, { title: "Loss", align: "right" as const }];
    expect(
      tableLines(columns, [
        ["02:0a", "1 %"],
        ["木", "12.5 %"],
      ]),
    ).toEqual(["Peer     Loss", "02:0a     1 %", "木     12.5 %"]);
  });

  it("let nothing through that moves the cursor", () => {
    const columns = [{ title: "Name" }, { title: "Other" }];
    fc.assert(
      fc.property(fc.string({ unit: "binary" }), (name) => {
        const evil = `\u001b[2J${name}\u0007\r\n\u202e`;
        const lines = tableLines(columns, [[evil, "x"]]);
        expect(lines).toHaveLength(2);
        expect(lines.join("")).not.toMatch(/[\p{Cc}\p{Cf}]/u);
      }),
    );
  });
});

describe("truncate", () => {
  it("fits every printable text into every width", () => {
    fc.assert(
      fc.property(fc.string({ unit: "grapheme" }), fc.nat({ max: 30 }), (text, width) => {
        const line = printable(text);
        const shown = truncate(line, width);
        expect(widthOf(shown)).toBeLessThanOrEqual(width);
        if (widthOf(line) <= width) expect(shown).toBe(line);
        else if (width > 0) expect(shown.endsWith("…")).toBe(true);
      }),
    );
  });

  it("counts wide characters twice, and accents not at all", () => {
    expect(widthOf("木")).toBe(2);
    expect(widthOf("é")).toBe(1);
    expect(widthOf("e\u0301")).toBe(1);
    expect(truncate("木木木", 4)).toBe("木…");
    expect(pad("木", 4)).toBe("木  ");
    expect(pad("wide enough", 3)).toBe("wide enough");
  });
});
