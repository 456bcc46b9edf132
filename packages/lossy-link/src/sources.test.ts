import { readdirSync, readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";

const folder = new URL(".", import.meta.url);
const sources = readdirSync(folder)
  .filter((name) => name.endsWith(".ts") && !name.endsWith(".test.ts"))
  .filter((name) => name !== "confidence.ts");

/** Comments and strings may name what the code may not use. */
function codeOf(name: string): string {
  return readFileSync(new URL(name, folder), "utf8")
    .replace(/\/\*[\s\S]*?\*\//g, "")
    .replace(/\/\/.*$/gm, "");
}

describe("the sources", () => {
  it("are read at all", () => {
    expect(sources).toContain("medium.ts");
    expect(codeOf("random.ts")).toContain("class Random");
  });

  it.each(sources)("%s takes time and chance from nowhere but its arguments", (name) => {
    expect(codeOf(name)).not.toMatch(/\b(Date|performance|crypto|Math\.random)\b/);
  });

  it.each(sources)("%s uses no function that engines may round differently", (name) => {
    // ECMA-262, 21.3.2: "implementation-approximated". Math.sqrt is too on paper; every engine has
    // the square root of IEEE 754.
    const free = /\bMath\.(a?(cos|sin|tan)h?|atan2|cbrt|expm?1?|hypot|log(10|2|1p)?|pow)\b|\*\*/;
    expect(codeOf(name)).not.toMatch(free);
  });
});
