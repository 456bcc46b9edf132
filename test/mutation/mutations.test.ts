import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { expect, it } from "vitest";
import { MUTATIONS } from "./mutations.js";

const sources = fileURLToPath(new URL("../../packages/core/src/", import.meta.url));

it("there are many of them, each with a name of its own", () => {
  expect(new Set(MUTATIONS.map(({ name }) => name)).size).toBe(MUTATIONS.length);
  expect(MUTATIONS.length).toBeGreaterThanOrEqual(25);
});

it.each(MUTATIONS)("$name: what it breaks stands there once", ({ file, find, replace }) => {
  const text = readFileSync(`${sources}${file}`, "utf8");
  expect(text.split(find)).toHaveLength(2);
  expect(replace).not.toBe(find);
});
