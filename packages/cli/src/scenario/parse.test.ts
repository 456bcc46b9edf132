import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { EXIT, Problem } from "../problem.js";
import { CASES_MAX, DEPTH_MAX, RUN_BYTES_MAX, RUN_MESSAGES_MAX } from "./limits.js";
import { parseScenario } from "./parse.js";
import { scenarioSchema } from "./schema.js";

const ONE = { from: "gateway", bytes: 100 };

/** The problem that a text makes. */
function problemOf(text: string, name = "frost.json"): Problem {
  try {
    parseScenario(name, text);
  } catch (error) {
    if (error instanceof Problem) return error;
    throw error;
  }
  throw new Error(`It was accepted: ${text}`);
}

const faultsOf = (text: string) => problemOf(text).message.split("\n").slice(1);

describe("a scenario that is in order", () => {
  it("has one combination where nothing is a list, with the preset's own values", () => {
    const { title, cases } = parseScenario("frost.json", JSON.stringify({ messages: [ONE] }));
    expect(title).toBe("Scenario without a title");
    expect(cases).toHaveLength(1);
    expect(cases[0]).toMatchObject({ number: 1, swept: [], window: 64, boards: 1 });
    expect(cases[0]?.link).toMatchObject({ preset: "reference", mtuBytes: 250, loss: 0, burst: 1 });
    expect(cases[0]?.messages[0]).toMatchObject({ bytes: 100, count: 1, deadlineS: 600 });
  });

  it("may have comments and trailing commas", () => {
    const text = `{ // a comment\n "messages": [ /* another */ ${JSON.stringify(ONE)}, ], }`;
    expect(parseScenario("frost.json", text).cases).toHaveLength(1);
  });

  it("gives every combination of its lists once, the last list changing fastest", () => {
    const link = { loss: [0, 0.1], mtuBytes: [100, 250] };
    const scenario = { link, window: [8, 64], messages: [{ ...ONE, bytes: [10, 20, 30] }] };
    const { cases } = parseScenario("frost.json", JSON.stringify(scenario));
    expect(cases).toHaveLength(24);
    const values = cases.map(({ swept }) => swept.map(({ value }) => value).join(" "));
    expect(new Set(values).size).toBe(24);
    expect(values.slice(0, 4)).toEqual(["100 0 8 10", "100 0 8 20", "100 0 8 30", "100 0 64 10"]);
    expect(values.at(-1)).toBe("250 0.1 64 30");
    expect(cases.map(({ number }) => number)).toEqual(cases.map((_, index) => index + 1));
    const last = cases.at(-1);
    expect(last?.swept.map(({ field }) => field)).toEqual(["mtuBytes", "loss", "window", "bytes"]);
    expect([last?.link.mtuBytes, last?.link.loss, last?.window]).toEqual([250, 0.1, 64]);
    expect(last?.messages[0]?.bytes).toBe(30);
  });

  it("takes the datagram size of each preset where none is given", () => {
    const scenario = { link: { preset: ["bleAtt", "canFd"] }, messages: [ONE] };
    const { cases } = parseScenario("frost.json", JSON.stringify(scenario));
    expect(cases.map(({ link }) => [link.mtuBytes, link.delayUs])).toEqual([
      [20, 3750],
      [64, 0],
    ]);
  });
});

describe("a scenario with faults", () => {
  it("is refused with all of them, each with line, column and field", () => {
    const text = [
      "{",
      '  "titel": "x",',
      '  "link": { "los": 0.1, "loss": [0.1, 1.3], "mtuBytes": 10 },',
      '  "window": "8",',
      '  "messages": [{ "bytes": 1.5, "way": "orderd" }]',
      "}",
    ].join("\n");
    expect(faultsOf(text)).toEqual([
      "  frost.json:2:3: titel: There is no such field. Did you mean title?",
      "  frost.json:3:13: link.los: There is no such field. Did you mean loss?",
      "  frost.json:3:39: link.loss[1]: It must be a number from 0 to 1, but is 1.3.",
      "  frost.json:3:57: link.mtuBytes: It must be a whole number from 20 to 65535, but is 10.",
      '  frost.json:4:13: window: It must be a whole number from 1 to 255, but is "8".',
      "  frost.json:5:16: messages[0].from: It is missing: gateway or board is needed.",
      "  frost.json:5:27: messages[0].bytes: It must be a whole number from 0 to 1048576, but is 1.5.",
      '  frost.json:5:39: messages[0].way: It must be ordered, unordered, latest or unacknowledged, but is "orderd". Did you mean ordered?',
    ]);
    const problem = problemOf(text);
    expect([problem.exitCode, problem.code]).toEqual([EXIT.usage, "bad-scenario"]);
    expect(problem.message).toMatch(/^The scenario frost\.json has 8 faults:\n/);
    expect(problem.details).toMatchObject({
      faults: [{ line: 2, column: 3, field: "titel" }, {}, {}, {}, {}, {}, {}, {}],
    });
  });

  it.each([
    ["", "1:1: The file is empty."],
    ["  \n ", "1:1: The file is empty."],
    ["[]", "1:1: A scenario is an object: { … }."],
    ["null", "1:1: A scenario is an object: { … }."],
    ['{\n"a": 1\n"b": 2}', "3:1: A comma is expected here."],
    ['{"a": tru}', "1:7: This word is not JSON. Text needs double quotes."],
    ['{"messages": []}', "messages: The list is empty: at least one message is needed."],
    ["{}", "1:1: messages: It is missing: a list of at least one message is needed."],
    ['{"boards": 1,\r\n "boards": 2}', "2:2: boards: It is given twice. Keep one of the two."],
    ['{"window": [8, 9, 8]}', "1:12: window: A value is in the list twice."],
    ['{"window": []}', "1:12: window: The list is empty: name at least one value."],
  ])("%j: %s", (text, sentence) => {
    expect(problemOf(text).message).toContain(sentence);
  });

  it("does not take __proto__ for a way to set fields", () => {
    const text = `{"__proto__": {"boards": 3}, "messages": [${JSON.stringify(ONE)}]}`;
    expect(faultsOf(text).join()).toContain("__proto__: There is no such field.");
  });

  it("never shows control characters of the file", () => {
    const text = JSON.stringify({ title: "\u001b[2J\u202e", "\u001b[31m": 1, messages: [ONE] });
    const problem = problemOf(text, "a\u001b.json");
    expect(problem.message).not.toMatch(/[^\n\P{C}]/u);
    expect(faultsOf(text)).toHaveLength(2);
  });

  it("lists at most fifty", () => {
    const messages = Array.from({ length: 30 }, () => ({ from: "x", bytes: -1, way: "?" }));
    const lines = faultsOf(JSON.stringify({ messages }));
    expect(lines).toHaveLength(51);
    expect(lines.at(-1)).toBe("  … and 40 more");
  });

  it("may be nested as deep as the limit, and not deeper", () => {
    const nested = (depth: number) => `${"[".repeat(depth)}${"]".repeat(depth)}`;
    expect(problemOf(nested(DEPTH_MAX)).message).toContain("A scenario is an object");
    expect(problemOf(nested(DEPTH_MAX + 1)).message).toContain(`more than ${DEPTH_MAX} deep`);
    expect(problemOf("[".repeat(500_000)).message).toContain(`more than ${DEPTH_MAX} deep`);
    // Brackets in texts are text.
    expect(problemOf(JSON.stringify({ title: "[".repeat(100) })).message).toContain("messages");
  });
});

describe("contradictions between fields", () => {
  const range = (count: number) => Array.from({ length: count }, (_, index) => index + 1);

  it("too many combinations are refused with their number", () => {
    const scenario = { window: range(50), boards: range(21), messages: [ONE] };
    expect(faultsOf(JSON.stringify(scenario))[0]).toContain(
      `The lists make 1,050 combinations, but at most 1,000 are run.`,
    );
    const fits = { window: range(50), boards: range(20), messages: [ONE] };
    expect(parseScenario("frost.json", JSON.stringify(fits)).cases).toHaveLength(CASES_MAX);
  });

  it.each([
    [{ link: { loss: 0.9, burst: 4 } }, "link.burst: Bursts of 4 datagrams"],
    [{ link: { loss: 0.1, burst: 4, burstMs: 10 } }, "link.burstMs: Bursts are counted in"],
    [{ link: { loss: 1, burstMs: 10 } }, "link.burstMs: Where everything is lost"],
    [{ messages: [{ ...ONE, way: "latest", channel: 4 }] }, "messages[0].channel: It is 4"],
    [{ messages: [{ ...ONE, everyS: 3600, count: 100 }] }, "messages[0]: The last of the"],
    [
      { messages: [{ ...ONE, count: RUN_MESSAGES_MAX }], boards: 2 },
      "One run would send 100,000 m",
    ],
    [{ messages: [{ ...ONE, bytes: 1e6, count: 100 }] }, "One run would send 100,000,000 bytes"],
    [{ link: { outages: [[3, 2]] } }, "link.outages[0]: It must begin before it ends."],
  ])("%j", (fields, sentence) => {
    expect(problemOf(JSON.stringify({ messages: [ONE], ...fields })).message).toContain(sentence);
  });

  it("the limits themselves are allowed", () => {
    const most = { messages: [{ ...ONE, bytes: 1, count: RUN_MESSAGES_MAX }] };
    expect(parseScenario("frost.json", JSON.stringify(most)).cases).toHaveLength(1);
    const largest = { messages: [{ ...ONE, bytes: 2 ** 20, count: RUN_BYTES_MAX / 2 ** 20 }] };
    expect(parseScenario("frost.json", JSON.stringify(largest)).cases).toHaveLength(1);
  });
});

describe("whatever a file holds", () => {
  const { shape } = scenarioSchema;
  const names = [
    ...Object.keys(shape),
    ...Object.keys(shape.link.unwrap().shape),
    ...Object.keys(shape.messages.element.shape),
    "__proto__",
    "constructor",
    "toString",
  ];
  const accepts = (text: string) => {
    try {
      expect(parseScenario("frost.json", text).cases.length).toBeGreaterThan(0);
    } catch (error) {
      expect(error).toBeInstanceOf(Problem);
    }
  };

  it("arbitrary JSON is read or refused with a Problem", () => {
    fc.assert(fc.property(fc.json(), accepts));
  });

  it("so are objects with the names of the fields in any place", () => {
    const value = fc.letrec((tie) => ({
      value: fc.oneof(
        { depthSize: "small" },
        fc.constantFrom<unknown>("gateway", "board", "reference", "latest", null, true, -1, 1e308),
        fc.double(),
        fc.integer(),
        fc.string(),
        fc.array(tie("value"), { maxLength: 3 }),
        fc.dictionary(fc.constantFrom(...names), tie("value"), { maxKeys: 5 }),
      ),
    })).value;
    const object = fc.record({ link: value, window: value, messages: value, boards: value });
    fc.assert(
      fc.property(object, (fields) => accepts(JSON.stringify(fields))),
      { numRuns: 500 },
    );
  });

  it("so is any text, also one cut short", () => {
    fc.assert(fc.property(fc.string(), accepts));
    const whole = JSON.stringify({ link: { loss: [0.1] }, messages: [ONE] });
    for (let length = 0; length < whole.length; length++) accepts(whole.slice(0, length));
  });
});
