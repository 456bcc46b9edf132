import { describe, expect, it } from "vitest";
import { parseScenario } from "../scenario/parse.js";
import { type CaseSummary, CaseTally } from "./case-tally.js";
import { jsonOf, renderCsv, renderFailures, renderTable } from "./render.js";
import type { RunResult } from "./run-once.js";

/** Two combinations of two messages each, with results made up for the test. */
function summaries(name = "table"): CaseSummary[] {
  const scenario = {
    link: { loss: [0, 0.1] },
    messages: [
      { name, from: "gateway", bytes: 500, priority: "bulk" },
      { from: "board", bytes: 24, way: "latest" },
    ],
  };
  return parseScenario("test", JSON.stringify(scenario)).cases.map((each) => {
    const tally = new CaseTally(each);
    for (const ms of [1, 2, 3, 4]) tally.add(made(ms, each.number === 2 && ms === 4));
    return tally.summary();
  });
}

function made(ms: number, fails: boolean): RunResult {
  return {
    seed: ms,
    entries: [
      { sent: 1, delivered: 1, replaced: 0, failed: 0, timesUs: [ms * 1000] },
      { sent: 2, delivered: 0, replaced: 1, failed: 1, timesUs: [] },
    ],
    failures: fails ? ["message 2 from board 1 to gateway: deadline-passed"] : [],
    failureCount: fails ? 1 : 0,
    efficiency: ms / 10,
    datagrams: 6 * ms,
    airtimeUs: 2,
    elapsedUs: 1,
  };
}

/** RFC 4180, in a few lines: independent of the writer. */
function parseCsv(text: string): string[][] {
  const rows: string[][] = [];
  const row: string[] = [];
  let cell = "";
  let quoted = false;
  for (let at = 0; at < text.length; at++) {
    const character = text[at]!;
    if (quoted && character === '"' && text[at + 1] === '"') cell += text[at++];
    else if (character === '"') quoted = !quoted;
    else if (!quoted && (character === "," || character === "\n")) {
      row.push(cell);
      cell = "";
      if (character === "\n") rows.push(row.splice(0));
    } else cell += character;
  }
  return rows;
}

describe("the table", () => {
  it("has a row for each message of each combination, what is common to them once", () => {
    expect(renderTable(summaries())).toEqual([
      "case  loss  message                   runs  failed  sent  delivered  replaced  median ms  P95 ms  P99 ms  efficiency  datagrams",
      "   1     0  table                        4       0     4          4         0       2.00    4.00    4.00       0.250        5.0",
      "            2: board 24 bytes normal                   8          0         4          –       –       –",
      "   2   0.1  table                        4       1     4          4         0       2.00    4.00    4.00       0.250        5.0",
      "            2: board 24 bytes normal                   8          0         4          –       –       –",
    ]);
  });

  it("of nothing is empty", () => {
    expect(renderTable([])).toEqual([]);
  });
});

describe("the CSV", () => {
  it("read by another reader gives every figure again", () => {
    const [header = [], ...rows] = parseCsv(renderCsv(summaries()));
    expect(rows).toHaveLength(4);
    for (const row of rows) expect(row).toHaveLength(header.length);
    const cell = (row: number, name: string) => rows[row]?.[header.indexOf(name)];
    const names = ["case", "preset", "loss", "message", "bytes", "runs", "failedRuns", "medianUs"];
    expect(names.map((name) => cell(2, name))).toEqual([
      "2",
      "reference",
      "0.1",
      "table",
      "500",
      "4",
      "1",
      "2000",
    ]);
    expect(["p95Us", "p99Us", "efficiency", "datagramsPerMessage"].map((n) => cell(0, n))).toEqual([
      "4000",
      "4000",
      "0.25",
      "5",
    ]);
    expect(["p5Us", "airtimeUs"].map((n) => cell(0, n))).toEqual(["1000", "2"]);
    expect(cell(1, "medianUs")).toBe("");
  });

  it.each(['say "now", or wait', "a;b", "ä – 果"])("keeps the name %j whole", (name) => {
    const [header = [], first = []] = parseCsv(renderCsv(summaries(name)));
    expect(first[header.indexOf("message")]).toBe(name);
  });

  it("gives a spreadsheet no formula", () => {
    const [header = [], first = []] = parseCsv(renderCsv(summaries("=1+1")));
    expect(first[header.indexOf("message")]).toBe("'=1+1");
  });
});

describe("JSON", () => {
  it("has the settings, the counts and each message", () => {
    const [, second] = summaries();
    expect(JSON.parse(JSON.stringify(jsonOf(second!)))).toMatchObject({
      type: "combination",
      case: 2,
      link: { loss: 0.1, mtuBytes: 250 },
      runs: 4,
      failedRuns: 1,
      efficiency: 0.25,
      airtimeUs: 2,
      messages: [
        {
          name: "table",
          bytes: 500,
          sent: 4,
          delivered: 4,
          medianUs: 2000,
          p99Us: 4000,
          p5Us: 1000,
        },
        { sent: 8, delivered: 0, replaced: 4, failed: 4 },
      ],
    });
    expect(JSON.stringify(jsonOf(second!))).not.toContain("percentiles");
  });
});

describe("the failures", () => {
  const failures = Array.from({ length: 5 }, (_, index) => ({ case: 2, seed: index, why: "late" }));
  const counts = { summaries: [], runs: 9, runsPlanned: 9, isPartial: false };
  const replay = (seed: number, number: number) => `again ${seed} ${number}`;

  it("are named with the command that shows them again, the rest is counted", () => {
    const result = { ...counts, failedRuns: 1200, failures };
    expect(renderFailures(result, 2, replay)).toEqual([
      "1,200 runs failed; the commands show it again:",
      "  seed 0, case 2: late",
      "    again 0 2",
      "  seed 1, case 2: late",
      "    again 1 2",
      "  … and 1,198 more",
    ]);
  });

  it("of none are no lines", () => {
    expect(renderFailures({ ...counts, failedRuns: 0, failures: [] }, 2, replay)).toEqual([]);
  });
});
