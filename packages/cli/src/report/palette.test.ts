import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { LINE_STYLES, TONES, type ToneName } from "./palette.js";

const theme = readFileSync(new URL("../../../lab/src/theme.css", import.meta.url), "utf8");

/** The colours of the first block behind a mark. */
function coloursAfter(mark: string): Map<string, string> {
  const block = theme.slice(theme.indexOf(mark)).split("}")[0] ?? "";
  return new Map(
    [...block.matchAll(/--([\w-]+): (#[0-9a-f]{6});/g)].map(([, name = "", colour = ""]) => [
      name,
      colour,
    ]),
  );
}

/** WCAG 2.1, relative luminance. */
function luminance(colour: string): number {
  const [red, green, blue] = [1, 3, 5].map((at) => {
    const part = Number.parseInt(colour.slice(at, at + 2), 16) / 255;
    return part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4;
  });
  return 0.2126 * red! + 0.7152 * green! + 0.0722 * blue!;
}

/** WCAG 2.1, contrast ratio. */
function contrast(one: string, other: string): number {
  const [light = 0, dark = 0] = [luminance(one), luminance(other)].sort((a, b) => b - a);
  return (light + 0.05) / (dark + 0.05);
}

const names = Object.keys(TONES) as ToneName[];
const TIMES = ["day", "night"] as const;

describe("the palette", () => {
  it("is that of the lab's pages", () => {
    const day = coloursAfter(":root {");
    const night = coloursAfter("prefers-color-scheme: dark");
    for (const name of names) {
      expect([name, day.get(name), night.get(name)]).toEqual([
        name,
        TONES[name].day,
        TONES[name].night,
      ]);
    }
  });

  it.each(TIMES)("has text that reads on paper and panel by %s (AA)", (time) => {
    for (const name of ["ink", "ink-soft", "accent", "good", "lost", "warn"] as const) {
      for (const ground of ["paper", "panel"] as const) {
        expect(contrast(TONES[name][time], TONES[ground][time]), name).toBeGreaterThan(4.5);
      }
    }
  });

  it.each(TIMES)("has lines that stand out by %s, and more than their colour apart", (time) => {
    for (const { tone } of LINE_STYLES) {
      expect(contrast(TONES[tone][time], TONES.panel[time]), tone).toBeGreaterThan(3);
    }
    for (const of of ["mark", "tone", "dash"] as const) {
      expect(new Set(LINE_STYLES.map((style) => String(style[of]))).size).toBe(LINE_STYLES.length);
    }
  });

  it("turns each colour into one: none stands for two", () => {
    const nights = new Map<string, string>();
    for (const name of names) {
      const { day, night } = TONES[name];
      expect(nights.get(day) ?? night).toBe(night);
      nights.set(day, night);
    }
  });
});
