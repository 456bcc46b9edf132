import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { judge, verdictWord } from "./bars.js";
import { parseReport } from "./command.js";
import { describeMachine } from "./machine.js";
import { commandFor, formatResults, parseResults } from "./results.js";

const fallback = { bench: "fans", command: "npm run bench -- fans", machine: "2 cores" };

describe("results", () => {
  const field = fc.oneof(fc.string(), fc.double({ noNaN: true, noDefaultInfinity: true }));
  const row = fc
    .dictionary(fc.string(), field)
    // JSON has no negative zero, and a plain object no own `__proto__`.
    .map((fields) => JSON.parse(JSON.stringify({ ...fields, bench: "fans" })))
    .filter((fields) => typeof fields.command !== "string");

  it("come back as they were written", () => {
    fc.assert(
      fc.property(fc.array(row), fc.string(), fc.string(), (rows, command, machine) => {
        const results = { bench: "fans", command, machine, rows };
        expect(parseResults(formatResults(results), fallback)).toEqual(results);
      }),
    );
  });

  it("may be the plain output of the benchmarks, without a first line of their own", () => {
    const rows = [
      { bench: "fans", loss: 0.1 },
      { bench: "fans", loss: 0.2 },
    ];
    const text = rows.map((one) => `${JSON.stringify(one)}\n`).join("");
    expect(parseResults(text, fallback)).toEqual({ ...fallback, rows });
  });

  it.each([
    ["", "fans: no lines"],
    ["{", "fans, line 1: not JSON"],
    ['{"bench":"fans"}\n\n[]', "fans, line 2: not a row"],
    ['{"bench":"pumps","loss":1}', "fans, line 1: not a row"],
    ['{"bench":"fans","loss":null}', "fans, line 1: not a row"],
    ['{"bench":"fans","loss":[1]}', "fans, line 1: not a row"],
    ["3", "fans, line 1: not a row"],
  ])("refuses %j and says which line is wrong", (text, sentence) => {
    expect(() => parseResults(text, fallback)).toThrow(sentence);
  });

  it("never throws anything but an Error, whatever the file holds", () => {
    fc.assert(
      fc.property(fc.string(), (text) => {
        try {
          parseResults(text, fallback);
        } catch (error) {
          expect(error).toBeInstanceOf(Error);
        }
      }),
    );
  });
});

describe("the command under a table", () => {
  it("names what differs from the defaults", () => {
    expect(commandFor("fans", { seeds: 100, scale: 1 })).toBe("npm run bench -- fans");
    expect(commandFor("fans", { seeds: 5, scale: 0.5 })).toBe(
      "npm run bench -- fans --seeds 5 --scale 0.5",
    );
  });
});

describe("the machine", () => {
  it("is told in general words", () => {
    const machine = { cores: 4, memoryBytes: 7.6 * 2 ** 30, system: "Linux", node: "20.19.1" };
    expect(describeMachine(machine)).toBe("4 cores, 8 GiB of memory, Linux, Node 20.19");
    expect(describeMachine({ ...machine, cores: 1, system: "Plan" })).toBe(
      "1 core, 8 GiB of memory, another system, Node 20.19",
    );
  });
});

describe("bars", () => {
  it.each([
    ["at-least", 1, true],
    ["at-least", 0.99, false],
    ["at-most", 1, true],
    ["at-most", 1.01, false],
    ["above", 1, false],
    ["above", 1.01, true],
  ] as const)("%s 1: %d is met: %s", (sense, measured, isMet) => {
    const row = { bench: "fans", share: measured, bar: 1 };
    expect(judge(row, [{ column: "share", sense }])).toEqual([
      { column: "share", sense, measured, bar: 1, isMet },
    ]);
  });

  it("are held only to rows that have them", () => {
    const bar = { column: "share", sense: "at-least" } as const;
    expect(judge({ bench: "fans", share: 1 }, [bar])).toEqual([]);
    expect(judge({ bench: "fans", bar: 1 }, [bar])).toEqual([]);
    expect(judge({ bench: "fans", bar: 1, share: 1 }, [{ ...bar, where: () => false }])).toEqual(
      [],
    );
    expect(verdictWord([])).toBe("");
  });
});

describe("the command line", () => {
  const known = ["fans", "pumps", "doors"];
  const names = (...args: string[]) => {
    const command = parseReport(args, known);
    return typeof command === "object" ? command.names : command;
  };

  it("chooses what is run", () => {
    expect(names()).toEqual(known);
    expect(names("--only", "doors, fans")).toEqual(["fans", "doors"]);
    expect(names("--skip", "pumps")).toEqual(["fans", "doors"]);
    expect(names("--only", "fans,pumps", "--skip", "pumps")).toEqual(["fans"]);
    expect(names("--render")).toEqual([]);
    expect(names("--help")).toBeUndefined();
  });

  it("takes seeds, scale and a folder", () => {
    expect(parseReport(["--seeds", "3", "--scale", "0.5", "--from-json", "x"], known)).toEqual({
      names: known,
      options: { seeds: 3, scale: 0.5 },
      fromFolder: "x",
    });
  });

  it.each([
    [["--only", "bridges"], "No such benchmark: bridges."],
    [["--skip", "fans,x"], "No such benchmark: x."],
    [["--sedes", "3"], "Unknown option '--sedes'."],
    [["fans"], "Unexpected argument 'fans'."],
    [["--seeds", "0.5"], "--seeds 0.5 is not"],
    [["--scale", "0"], "--scale 0 is not"],
  ])("refuses %j in one line", (args, sentence) => {
    const fault = parseReport(args, known);
    expect(fault).toMatch(/^[^\n]+$/);
    expect(fault).toContain(sentence);
  });
});
