import { describe, expect, it } from "vitest";
import { TRANSITIONS } from "../../packages/core/src/protocol/session-state.js";
import { GENERATED_PARTS, phaseDiagram } from "./generated.js";
import { generatedPart, readDocument } from "./markdown.js";

const ADVICE = "bring it up to date: node scripts/run.mjs test/docs/write.ts";

describe("generated parts of the documents", () => {
  it.each(GENERATED_PARTS)("$document, $name", ({ document, name, content }) => {
    expect(generatedPart(readDocument(document), name), ADVICE).toBe(content());
  });

  it("show each transition of the table", () => {
    const diagram = phaseDiagram(TRANSITIONS).split("\n");
    for (const [from, row] of Object.entries(TRANSITIONS)) {
      for (const [trigger, to] of Object.entries(row)) {
        const shown = diagram.filter(
          (line) =>
            line.includes(`--${trigger}-->`) &&
            line.endsWith(` ${to}`) &&
            (line.startsWith(`  ${from} `) || line.startsWith(`  any but ${to} `)),
        );
        expect(shown, `${from} ${trigger}`).toHaveLength(1);
      }
    }
  });

  it("do not say of every phase what does not hold for every phase", () => {
    const { open: _open, ...rest } = TRANSITIONS;
    const diagram = phaseDiagram({ ...rest, open: {} });
    expect(diagram).not.toContain("any but");
    expect(diagram).toContain("  opening    --ended-->             closed\n");
  });
});
