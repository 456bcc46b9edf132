import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { hostileText } from "./hostile-text.js";
import { markup, shown, trusted } from "./markup.js";
import { readXml } from "./xml-reader.js";

describe("markup", () => {
  it("holds any text as text, between tags and in attributes", () => {
    fc.assert(
      fc.property(hostileText, (text) => {
        const element = readXml(markup`<p title="${text}">${text}</p>`.text);
        expect(element.text).toBe(shown(text));
        expect(element.attributes.get("title")).toBe(shown(text));
        expect(element.children.every((child) => typeof child === "string")).toBe(true);
      }),
      { numRuns: 2000 },
    );
  });

  it("takes markup, lists, numbers and nothing", () => {
    const items = ["a", "<b>"].map((text) => markup`<li>${text}</li>`);
    expect(markup`<ul>${items}</ul>${undefined}${3}${trusted("<br/>")}`.text).toBe(
      "<ul><li>a</li><li>&lt;b&gt;</li></ul>3<br/>",
    );
  });
});

describe("shown", () => {
  it("leaves what can be read, and line feeds and tabs", () => {
    expect(shown("Frost – ä 果\n\t{ 1 }")).toBe("Frost – ä 果\n\t{ 1 }");
  });

  it("spells out what is invisible or must not stand in a page", () => {
    expect(shown("a\u202eb\u0000c\ufffed\r")).toBe("a\\u{202e}b\\u{0}c\\u{fffe}d\\u{d}");
  });
});
