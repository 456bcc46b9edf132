import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { describe, expect, it } from "vitest";
import { drawPanel } from "./draw.js";
import { figuresOf } from "./figures.js";
import { madeSummaries } from "./made-sweep.js";
import { TONES } from "./palette.js";
import type { Panel } from "./panel.js";
import { readXml } from "./xml-reader.js";

const scenario = {
  link: { preset: ["reference", "contention"], loss: [0, 0.1, 0.2], delayMs: [0, 1, 2, 3] },
  messages: [{ name: 'a <b> & "c"', from: "gateway", bytes: [10, 2000] }],
};
const panels = figuresOf(madeSummaries({ scenario })).figures.flatMap(({ panels: of }) => of);

describe("a drawing", () => {
  it("is the same bytes each time, whatever was drawn before", () => {
    const first = panels.map((panel) => drawPanel("one", panel));
    const again = [...panels].reverse().map((panel) => drawPanel("one", panel));
    expect(panels.length).toBeGreaterThan(8);
    expect(again.reverse()).toEqual(first);
  });

  it("is well-formed, says what it shows, and has names of its own", () => {
    for (const [index, panel] of panels.entries()) {
      const svg = readXml(drawPanel(`drawing-${index}`, panel));
      const ids = [...svg.all()].flatMap(({ attributes }) => attributes.get("id") ?? []);
      expect(new Set(ids).size).toBe(ids.length);
      for (const id of ids) expect(id).toMatch(new RegExp(`^drawing-${index}-`));
      expect(svg.attributes.get("aria-labelledby")).toBe(`${ids[0]} ${ids[1]}`);
      expect(svg.attributes.get("role")).toBe("img");
      expect(svg.named("title")[0]?.text).not.toBe("");
      expect(svg.named("desc")[0]?.text).toBe(panel.words);
      expect(svg.text).toContain(panel.x.name);
    }
  });

  it("has nothing but shapes and text, in the colours that the style sheet turns", () => {
    const known = new Set<string>(["none", "#000", ...Object.values(TONES).map(({ day }) => day)]);
    for (const panel of panels) {
      const svg = readXml(drawPanel("one", panel));
      const names = new Set([...svg.all()].map(({ name }) => name));
      const allowed = [
        "svg",
        "title",
        "desc",
        "g",
        "path",
        "text",
        "defs",
        "clipPath",
        "rect",
        "circle",
      ];
      for (const name of names) expect(allowed).toContain(name);
      for (const { name, attributes } of svg.all()) {
        for (const paint of ["fill", "stroke"]) {
          const color = attributes.get(paint);
          if (color !== undefined) expect([...known], `${name} ${paint}`).toContain(color);
        }
        expect(attributes.get("style") ?? "").not.toMatch(/fill|stroke|url/);
      }
    }
  });

  it("marks every point of every line", () => {
    const panel: Panel = {
      heading: "",
      words: "Two points, then a gap.",
      x: { name: "x", scale: "places", min: -0.5, max: 2.5, label: (place) => `at ${place}` },
      y: { name: "y", scale: "even", min: 0, max: 10, label: String },
      lines: [
        {
          style: 0,
          form: "straight",
          points: [
            { x: 0, y: 3, low: 1, high: 5, isMarked: true },
            { x: 1, y: 4, low: 2, high: 9, isMarked: true },
            { x: 2, y: undefined, isMarked: true },
          ],
        },
      ],
    };
    const svg = readXml(drawPanel("one", panel));
    const marks = svg.named("path").filter(({ attributes }) => {
      return attributes.get("fill") === TONES.data.day;
    });
    // Two marks and four caps.
    expect(marks).toHaveLength(6);
    for (const label of ["at 0", "at 1", "at 2"]) expect(svg.text).toContain(label);
  });
});

/** TypeScript files of the command, tests left out. */
function sources(folder: string): string[] {
  return readdirSync(folder, { withFileTypes: true }).flatMap((entry) => {
    const path = join(folder, entry.name);
    if (entry.isDirectory()) return sources(path);
    return /(?<!\.test)\.ts$/.test(entry.name) ? [path] : [];
  });
}

describe("the library that draws", () => {
  it("is loaded when a report is drawn, and by no other command", () => {
    const all = sources(fileURLToPath(new URL("..", import.meta.url)));
    const texts = all.map((path) => [path, readFileSync(path, "utf8")] as const);
    const loading = (what: RegExp) =>
      texts.filter(([, text]) => what.test(text)).map(([path]) => path);
    expect(loading(/from "echarts/)).toEqual([expect.stringMatching(/report[/\\]draw\.ts$/)]);
    expect(loading(/from "[^"]*\/draw\.js"/)).toEqual([]);
    expect(loading(/import\("\.\/draw\.js"\)/)).toEqual([
      expect.stringMatching(/report[/\\]report\.ts$/),
    ]);
  });
});
