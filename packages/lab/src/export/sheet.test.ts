import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { chartToSvg } from "../charts/echarts.js";
import { TEST_PALETTE, testRun } from "../picture/test-record.js";
import { runPictures } from "./run-sheet.js";
import { sheetToSvg } from "./sheet.js";
import { escaped, SvgSurface } from "./svg-surface.js";

/** Names of elements in the order in which they end; throws if they are not nested. */
function checkNesting(xml: string): number {
  const open: string[] = [];
  let elements = 0;
  const tag = /<(\/?)([a-zA-Z][\w-]*)((?:\s+[\w:-]+\s*=\s*"[^"<]*")*)\s*(\/?)>|<[^>]*>/g;
  for (const match of xml.matchAll(tag)) {
    const [whole, slash, name, , selfEnd] = match;
    if (name === undefined) throw new Error(`not well-formed: ${whole.slice(0, 200)}`);
    elements++;
    if (slash === "/") {
      if (open.pop() !== name) throw new Error(`${name} ends, but did not begin`);
    } else if (selfEnd !== "/") open.push(name);
  }
  if (open.length > 0) throw new Error(`${open.join(", ")} did not end`);
  return elements;
}

describe("a surface that becomes an SVG file", () => {
  it("keeps text from being markup", () => {
    fc.assert(
      fc.property(fc.string(), fc.string(), (text, font) => {
        const surface = new SvgSurface();
        surface.font = font;
        surface.fillText(text, 1, 2);
        checkNesting(`<svg>${surface.markup}</svg>`);
      }),
    );
    expect(escaped(`<a href="b">&`)).toBe("&lt;a href=&quot;b&quot;&gt;&amp;");
  });

  it("draws nothing for an empty path", () => {
    const surface = new SvgSurface();
    surface.beginPath();
    surface.fill();
    surface.stroke();
    expect(surface.markup).toBe("");
  });
});

describe("a sheet of pictures", () => {
  it("is one well-formed file with every picture in it", async () => {
    const a = await testRun({ boards: 3, outagesS: [[0.1, 0.2]] });
    const b = await testRun({ boards: 3, loss: 0.5 });
    const view = {
      runs: [
        { name: "A", record: a },
        { name: "B", record: b },
      ],
      atUs: a.endUs / 3,
      glowUs: 2_000,
      pickedBoard: 2,
      span: { fromUs: 0, toUs: b.endUs },
    };
    const pictures = runPictures(view, TEST_PALETTE);
    expect(pictures).toHaveLength(9);
    const { svg, height } = sheetToSvg("A < B", "words", pictures, TEST_PALETTE, chartToSvg);
    expect(checkNesting(svg)).toBeGreaterThan(500);
    expect(svg).toContain("<title>A &lt; B</title>");
    expect(svg).not.toContain("NaN");
    expect(height).toBeGreaterThan(1_500);
  });
});
