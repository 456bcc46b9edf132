import fc from "fast-check";
import { beforeAll, describe, expect, it } from "vitest";
import { printable } from "../output.js";
import type { SweepResult } from "../simulation/sweep.js";
import { drawPanel } from "./draw.js";
import { hostileText } from "./hostile-text.js";
import { type MadeSweep, madeInput } from "./made-sweep.js";
import { shown } from "./markup.js";
import { ROWS_MAX, reportOf } from "./model.js";
import { renderPage } from "./page.js";
import { renderReport } from "./report.js";
import { CAUTIONS } from "./wording.js";
import { readXml, type XmlElement } from "./xml-reader.js";

const SCENARIO = {
  title: "Frost watch (invented)",
  link: { loss: [0, 0.1], delayMs: [0, 5] },
  window: [8, 64],
  messages: [
    { name: "table", from: "gateway", bytes: 4000, priority: "bulk" },
    { name: "temperature", from: "board", bytes: 24, way: "latest" },
  ],
};

const FAILED: Partial<SweepResult> = {
  failedRuns: 105,
  failures: [{ case: 2, seed: 17, why: "message 1 from gateway to board 1: <deadline-passed>" }],
};
const PARTIAL: Partial<SweepResult> = { runs: 7, isPartial: true };

function page(made: Partial<MadeSweep> = {}): XmlElement {
  return readXml(renderPage(reportOf(madeInput({ scenario: SCENARIO, ...made })), drawPanel));
}

function withId(root: XmlElement, id: string): XmlElement {
  const found = [...root.all()].find(({ attributes }) => attributes.get("id") === id);
  if (found === undefined) throw new Error(`Nothing has the id ${id}.`);
  return found;
}

let root: XmlElement;
let text: string;
beforeAll(async () => {
  text = await renderReport(madeInput({ scenario: SCENARIO }));
  root = readXml(text);
});

describe("the page", () => {
  it("is the same bytes for the same sweep, without a date", async () => {
    expect(await renderReport(madeInput({ scenario: SCENARIO }))).toBe(text);
    expect(text).not.toMatch(/\b20\d\d-|\d\d:\d\d\b/);
  });

  it("needs no script and loads nothing", () => {
    const elements = [...root.all()];
    const names = new Set(elements.map(({ name }) => name));
    for (const name of ["script", "img", "link", "iframe", "object", "use", "image", "base"]) {
      expect(names).not.toContain(name);
    }
    for (const { attributes } of elements) {
      for (const [name, value] of attributes) {
        expect(name).not.toMatch(/^(?:on|src|xlink)/);
        if (name === "href") expect(value).toMatch(/^#\w+$/);
        if (name !== "xmlns") expect(value).not.toMatch(/[a-z]+:\/\/|url\((?!#)/);
      }
    }
    const style = root.named("style")[0]?.text ?? "";
    expect(style).not.toMatch(/@import|url\(|@font-face|\/\//);
  });

  it("says its language, its characters and its width", () => {
    expect(text.startsWith("<!DOCTYPE html>\n")).toBe(true);
    expect(root.attributes.get("lang")).toBe("en");
    expect(root.named("meta")[0]?.attributes.get("charset")).toBe("utf-8");
    expect(root.named("title")[0]?.text).toBe("Frost watch (invented)");
    expect(root.named("style")[0]?.text).toMatch(
      /@media screen and \(prefers-color-scheme: dark\)[\s\S]*@media print/,
    );
  });

  it("has headings in order, and every id once", () => {
    const levels = [...root.all()]
      .flatMap(({ name }) => /^h([1-6])$/.exec(name)?.[1] ?? [])
      .map(Number);
    expect(levels[0]).toBe(1);
    expect(levels.filter((level) => level === 1)).toHaveLength(1);
    for (const [i, level] of levels.entries()) expect(level - (levels[i - 1] ?? 0)).toBeLessThan(2);
    const ids = [...root.all()].flatMap(({ attributes }) => attributes.get("id") ?? []);
    expect(new Set(ids).size).toBe(ids.length);
    for (const link of root.named("a")) withId(root, link.attributes.get("href")?.slice(1) ?? "");
  });

  it("has tables with captions, scopes and cells for each column, in boxes that keys can scroll", () => {
    const tables = root.named("table");
    expect(tables.length).toBeGreaterThan(6);
    for (const table of tables) {
      expect(table.named("caption")[0]?.text).not.toBe("");
      const columns = table.named("thead")[0]!.named("th");
      for (const column of columns) expect(column.attributes.get("scope")).toBe("col");
      for (const row of table.named("tbody")[0]!.named("tr")) {
        expect(row.children.filter((child) => typeof child !== "string")).toHaveLength(
          columns.length,
        );
      }
    }
    const boxes = [...root.all()].filter(({ attributes }) => attributes.get("class") === "box");
    expect(boxes).toHaveLength(tables.length + 1);
    for (const { attributes } of boxes) {
      expect(attributes.get("tabindex")).toBe("0");
      expect(attributes.get("role")).toBe("region");
      expect(attributes.get("aria-label")).not.toBe("");
    }
  });

  it("has a table of figures for each figure", () => {
    const figures = root.named("figure");
    expect(figures).toHaveLength(6);
    for (const figure of figures) {
      expect(figure.named("figcaption")).toHaveLength(1);
      expect(figure.named("table")).toHaveLength(1);
      expect(figure.named("svg").some(({ attributes }) => attributes.get("role") === "img")).toBe(
        true,
      );
    }
  });

  it("shows the table of the terminal and every column of the CSV", () => {
    const [results, columns] = root.named("table");
    const titles = (table?: XmlElement) =>
      table
        ?.named("thead")[0]
        ?.named("th")
        .map(({ text: t }) => t);
    expect(titles(results)?.slice(0, 6)).toEqual([
      ...["case", "loss", "delayMs", "window", "message", "runs"],
    ]);
    expect(titles(columns)).toEqual(
      expect.arrayContaining(["mtuBytes", "p99Us", "p5Us", "airtimeUs"]),
    );
    expect(columns?.named("tbody")[0]?.named("tr")).toHaveLength(16);
  });

  it("tells what was run, and how to run it again", () => {
    const facts = root.named("dl")[0]?.text;
    for (const fact of ["8", "loss, delayMs, window", "1 to 20", "160", "is cut"]) {
      expect(facts).toContain(fact);
    }
    expect(root.named("code")[0]?.text).toBe(
      "fardel simulate frost.json --seeds 20 --html report.html",
    );
    expect(root.text).toContain("version 1.2.3");
  });

  it("shows the scenario as it is written, comments and all, and in words", () => {
    const input = madeInput({ scenario: SCENARIO });
    const source = `// A <night> & its "frost"\r\n${input.source}\n\n`;
    const read = readXml(renderPage(reportOf({ ...input, source }), drawPanel));
    expect(read.named("pre")[0]?.text).toBe(`// A <night> & its "frost"\n${input.source}`);
    expect(root.text).toContain(
      "0 % or 10 % of the datagrams are lost, each way: each for itself.",
    );
    for (const caution of CAUTIONS) expect(root.text).toContain(caution);
  });
});

describe("the verdict", () => {
  it("is good when every run did what it should", () => {
    expect(withId(root, "verdict").text).toContain("All 160 runs did what they should");
  });

  it("names failed runs, each with the command that shows it again", () => {
    const verdict = withId(page({ result: FAILED }), "verdict");
    expect(verdict.text).toContain("105 of 160 runs failed.");
    expect(verdict.named("tr").at(-1)?.text).toBe(
      "172message 1 from gateway to board 1: <deadline-passed>fardel simulate frost.json --seed 17 --case 2 --trace",
    );
    expect(verdict.text).toContain("104 more failed.");
  });

  it("says PARTIAL, in the title and on the page", () => {
    const partial = page({ result: PARTIAL });
    expect(partial.named("title")[0]?.text).toBe("PARTIAL: Frost watch (invented)");
    expect(partial.named("header")[0]?.text).toContain("PARTIAL");
    expect(withId(partial, "verdict").text).toContain(
      "Ended by Ctrl-C after 7 of 160 runs: the figures are of these alone.",
    );
  });

  it("of no run at all says so, on a whole page", () => {
    const none = page({ result: { ...PARTIAL, runs: 0, summaries: [] } });
    expect(withId(none, "verdict").text).toContain("No run was done");
    expect(none.text).toContain("There is nothing to draw.");
  });
});

describe("a page of hostile text", () => {
  it("holds it as text", () => {
    fc.assert(
      fc.property(hostileText, hostileText, hostileText, (title, source, why) => {
        const input = madeInput({ scenario: SCENARIO, runs: 1 });
        const failures = [{ case: 1, seed: 1, why }];
        const report = reportOf({
          ...input,
          scenario: { ...input.scenario, title },
          source,
          command: title,
          replay: () => source,
          result: { ...input.result, failedRuns: 1, failures },
        });
        // What is drawn is held by the tests of drawings.
        const read = readXml(
          renderPage({ ...report, drawn: { figures: [], remarks: [why] } }, drawPanel),
        );
        expect(read.named("h1")[0]?.text).toBe(shown(title));
        expect(read.named("pre")[0]?.text).toBe(shown(source.replaceAll(/\r\n?/g, "\n").trimEnd()));
        expect(read.named("td")[1]?.text).toBe(shown(why));
        expect(read.named("script")).toEqual([]);
        expect(read.named("a")).toHaveLength(5);
      }),
      { numRuns: 300 },
    );
  });

  it("holds the names of messages as text, in drawings too", () => {
    // A scenario takes names of one line, without control characters.
    const anyName = hostileText.map((name) => [...printable(name)].slice(0, 40).join(""));
    fc.assert(
      fc.property(anyName, anyName, (one, other) => {
        fc.pre(one.length <= 40 && other.length <= 40);
        const messages = [
          { name: one, from: "gateway", bytes: [10, 20] },
          { name: other, from: "board", bytes: 10 },
        ];
        const swept = page({ scenario: { messages }, runs: 2 });
        const single = page({ scenario: { messages: messages.slice(1) }, runs: 2 });
        expect(swept.named("h3")[0]?.text).toBe(`Delivery time of ${shown(one)}`);
        const cells = [...single.named("th"), ...single.named("td")].map(({ text: t }) => t);
        expect(cells).toContain(shown(other));
        for (const read of [swept, single]) expect(read.named("script")).toEqual([]);
      }),
      { numRuns: 25 },
    );
  });
});

describe("a long table", () => {
  it("is cut, and says where the rest is", () => {
    const messages = Array.from({ length: 32 }, () => ({ from: "board", bytes: 1 }));
    const scenario = {
      link: { delayMs: Array.from({ length: 8 }, (_, i) => i) },
      messages,
      window: [1, 2, 3, 4, 5, 6, 7, 8],
    };
    const { results, columns } = reportOf(madeInput({ scenario, runs: 1 }));
    expect(results).toMatchObject({ rowsLeftOut: 48 });
    expect(columns.rows).toHaveLength(ROWS_MAX);
    const read = page({ scenario, runs: 1 });
    expect(read.text).toContain("48 more rows are left out; the option --csv writes all of them.");
  });
});
