import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { LOAD_RANGES, PRESET_NAMES, RANGES } from "./run/defaults.js";
import { SETTINGS_KEYS } from "./run/query.js";
import { KEYS } from "./words/keys.js";

const readme = readFileSync(new URL("../README.md", import.meta.url), "utf8");
const rows = readme.split("\n").map((line) => line.split("|").map((cell) => cell.trim()));

describe("the README", () => {
  it("has every key of the keyboard, with what it does", () => {
    for (const { keys, words } of KEYS) {
      expect(rows.find((cells) => cells[1] === keys)?.[2], keys).toBe(words);
    }
  });

  it("has every key of the address", () => {
    const keys = rows
      .flatMap((cells) => Array.from(cells[1]?.matchAll(/`([\w.]+)`/g) ?? []))
      .map(([, key]) => key);
    for (const key of SETTINGS_KEYS) expect(keys).toContain(key);
    for (const preset of PRESET_NAMES) expect(readme).toContain(`\`${preset}\``);
  });

  it("has the ranges that hold", () => {
    const text = (value: number): string => value.toLocaleString("en");
    const cell = (key: string): string =>
      rows.find((cells) => cells[1] === `\`${key}\``)?.[2] ?? "";
    expect(cell("seed")).toContain(`${RANGES.seed.min} to ${text(RANGES.seed.max)}`);
    expect(cell("boards")).toContain(`${RANGES.boards.min} to ${RANGES.boards.max}`);
    expect(cell("datagram")).toContain(
      `${RANGES.datagramBytes.min} to ${text(RANGES.datagramBytes.max)}`,
    );
    expect(cell("loss")).toContain(`${RANGES.loss.min} to ${RANGES.loss.max}`);
    expect(cell("burst")).toContain(`${RANGES.burst.min} to ${RANGES.burst.max}`);
    expect(cell("window")).toContain(`${RANGES.window.min} to ${RANGES.window.max}`);
    expect(cell("bytes")).toContain(`${LOAD_RANGES.bytes.min} to ${text(LOAD_RANGES.bytes.max)}`);
  });
});
