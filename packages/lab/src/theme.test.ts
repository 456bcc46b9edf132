import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { COLOURS } from "./picture/palette.js";

const css = readFileSync(new URL("./theme.css", import.meta.url), "utf8");
const blocks = css.split(/(?=:root)/).filter((block) => block.startsWith(":root"));

/** Colours of one `:root` block by name. */
function coloursOf(block: string): Map<string, string> {
  const found = block.matchAll(/--([a-z-]+):\s*(#[0-9a-f]{6});/g);
  return new Map(Array.from(found, ([, name, colour]) => [name ?? "", colour ?? ""]));
}

const light = coloursOf(blocks[0] ?? "");
const [darkBySystem, darkByChoice] = blocks.slice(1).map(coloursOf);

/** WCAG 2.1, definition of relative luminance. */
function luminance(colour: string): number {
  const [red = 0, green = 0, blue = 0] = [1, 3, 5].map((at) => {
    const share = Number.parseInt(colour.slice(at, at + 2), 16) / 255;
    return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
  });
  return 0.2126 * red + 0.7152 * green + 0.0722 * blue;
}

function contrast(one: string, other: string): number {
  const [darker = 0, lighter = 0] = [luminance(one), luminance(other)].sort((a, b) => a - b);
  return (lighter + 0.05) / (darker + 0.05);
}

describe("the themes", () => {
  it("are the same by the system's wish and by the person's", () => {
    expect(blocks).toHaveLength(3);
    expect([...(darkBySystem ?? [])]).toEqual([...(darkByChoice ?? [])]);
    expect([...light.keys()]).toEqual([...(darkByChoice?.keys() ?? [])]);
    for (const name of COLOURS) expect(light.has(name), name).toBe(true);
  });

  const themes: [string, Map<string, string>][] = [
    ["light", light],
    ["dark", darkByChoice ?? new Map()],
  ];
  it.each(themes)("%s: text stands out at 4.5 : 1, marks at 3 : 1", (_, theme) => {
    const colour = (name: string): string => theme.get(name) ?? "#808080";
    for (const ground of ["paper", "panel"]) {
      for (const name of ["ink", "ink-soft", "accent", "lost", "good", "warn"]) {
        expect(contrast(colour(name), colour(ground)), `${name} on ${ground}`).toBeGreaterThan(4.5);
      }
      for (const name of ["data", "repeat", "ack", "opening", "command", "other", "focus"]) {
        expect(contrast(colour(name), colour(ground)), `${name} on ${ground}`).toBeGreaterThan(3);
      }
    }
    expect(contrast(colour("on-accent"), colour("accent"))).toBeGreaterThan(4.5);
    // The number in a tile.
    expect(contrast(colour("panel"), colour("data"))).toBeGreaterThan(4.5);
    expect(contrast(colour("panel"), colour("repeat"))).toBeGreaterThan(4.5);
  });
});
