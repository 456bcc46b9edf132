import { mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import type { Benchmark } from "../benchmark.js";
import { renderPage } from "./page.js";
import { REPORTED, renderFiles, resultsFile } from "./report.js";
import { parseResults, type Results } from "./results.js";
import { report } from "./run.js";

const BENCH = fileURLToPath(new URL("../", import.meta.url));

function committedResults(): Results[] {
  return readdirSync(join(BENCH, "results")).map((file) => {
    const bench = file.replace(/\.jsonl$/, "");
    const text = readFileSync(join(BENCH, "results", file), "utf8");
    return parseResults(text, { bench, command: "", machine: "" });
  });
}

describe("the committed page", () => {
  it("is what the committed rows give, byte for byte: nobody edits it by hand", () => {
    const files = renderFiles(committedResults());
    for (const [name, text] of files) {
      const committed = readFileSync(join(BENCH, name), "utf8");
      expect(committed === text, `${name} is out of date: run npm run report -- --render`).toBe(
        true,
      );
    }
  });

  it("has rows of known benchmarks only, each with the command that measures them again", () => {
    const names = REPORTED.map(({ name }) => name);
    for (const { bench, command, machine, rows } of committedResults()) {
      expect(names).toContain(bench);
      expect(command).toMatch(
        new RegExp(`^npm run (bench --|report -- --only) ${bench}( --\\w+ [\\d.]+)*$`),
      );
      expect(machine).toMatch(/^\d+ cores?, \d+ GiB of memory, [\w ]+, Node \d+\.\d+$/);
      expect(rows.length).toBeGreaterThan(0);
    }
  });
});

/** Tables without what only aligns them. */
function unpadded(page: string): string {
  return page.replaceAll(/ +/g, " ");
}

const benchmark = (name: string): Benchmark => ({
  name,
  title: `About ${name}`,
  notes: ["share  of all"],
  run: () => {
    throw new Error("A page is rendered without running anything.");
  },
});

describe("the page", () => {
  const results: Results = {
    bench: "size",
    command: "npm run bench -- size",
    machine: "2 cores",
    rows: [{ bench: "size", entry: "x", gzippedBytes: 26_900, bar: 12_288 }],
  };

  it("says plainly which bar is missed, above and in the table", () => {
    const page = renderPage([benchmark("size")], [results]);
    expect(unpadded(page)).toContain("| [size](#size) | 1 | 0 | 1 |");
    expect(page).toContain("- **size**: x: `gzippedBytes` is 26,900, the bar is at most 12,288\n");
    expect(unpadded(page)).toContain("| x | 26,900 | 12,288 | **missed: gzippedBytes** |");
    expect(page).toContain("```\nnpm run bench -- size\n```");
    const rows = [{ ...results.rows[0], bench: "size", gzippedBytes: 12_288 }];
    const met = renderPage([benchmark("size")], [{ ...results, rows }]);
    expect(met).toContain("None is missed.");
    expect(unpadded(met)).toContain("| x | 12,288 | 12,288 | met |");
  });

  it("shows what takes real time as ratios, and names the machine", () => {
    const rows = [
      {
        bench: "speed",
        preset: "ideal",
        datagramsPerS: 150_000,
        copyAndCrcPerS: 1e6,
        ratio: 0.15,
        bar: 100_000,
      },
    ];
    const page = renderPage([benchmark("speed")], [{ ...results, bench: "speed", rows }]);
    expect(unpadded(page)).toContain("| preset | ratio | timesBar | verdict |");
    expect(unpadded(page)).toContain("| ideal | 0.15 | 1.5 | met |");
    expect(page).toContain("Real time, on a machine with 2 cores.");
    expect(page).not.toMatch(/150[,_]?000/);
  });

  it("names what is not measured yet, and what it has no presentation for", () => {
    const rows = [{ bench: "doors", share: 1 }];
    const page = renderPage(
      [benchmark("doors"), benchmark("peers")],
      [{ ...results, bench: "doors", rows }],
    );
    expect(page).toContain("## peers\n\nAbout peers. Not measured yet.");
    expect(page).toContain("## doors\n\nAbout doors.\n\n| share |");
    expect(page.indexOf("## peers")).toBeLessThan(page.indexOf("## doors"));
  });
});

describe("npm run report", () => {
  let folder: string;
  beforeEach(() => {
    folder = mkdtempSync(join(tmpdir(), "fardel-report-"));
  });
  afterEach(() => rmSync(folder, { recursive: true, force: true }));

  async function run(...args: string[]) {
    let out = "";
    let error = "";
    const code = await report(args, {
      folder,
      machine: "2 cores",
      out: (text) => {
        out += text;
      },
      error: (text) => {
        error += text;
      },
    });
    return { code, out, error };
  }
  const read = (name: string) => readFileSync(join(folder, name), "utf8");

  it("runs what is asked for and keeps the other rows", async () => {
    const first = await run("--only", "sequence", "--seeds", "1");
    expect(first).toMatchObject({ code: 0, out: "" });
    expect(first.error).toMatch(
      /^1 of 1: sequence … \d+ rows, [\d.]+ s\nWritten: RESULTS.md, plots/,
    );
    const rows = read(resultsFile("sequence"));
    const second = await run("--only", "size");
    expect(second.code).toBe(0);
    expect(read(resultsFile("sequence"))).toBe(rows);
    const page = read("RESULTS.md");
    expect(page).toContain("npm run report -- --only sequence --seeds 1\n");
    expect(page).toContain("npm run bench -- size\n");
    expect(page).toContain("## urgent\n\n");
    await run("--render");
    expect(read("RESULTS.md")).toBe(page);
  });

  it("takes rows that were measured elsewhere", async () => {
    const elsewhere = join(folder, "elsewhere");
    expect(await run("--from-json", elsewhere)).toMatchObject({ code: 1 });
    rmSync(elsewhere, { recursive: true, force: true });
    const row = { bench: "size", entry: "y", gzippedBytes: 1, bar: 2 };
    const from = mkdtempSync(join(folder, "from-"));
    writeFileSync(join(from, "size.jsonl"), `${JSON.stringify(row)}\n`);
    writeFileSync(join(from, "urgent.jsonl"), "not JSON");
    const taken = await run("--from-json", from);
    expect(taken.code).toBe(1);
    expect(taken.error).toContain("urgent, line 1: not JSON");
    expect(taken.error).toContain("size: 1 rows taken");
    expect(unpadded(read("RESULTS.md"))).toContain("| y | 1 | 2 | met |");
    expect((await run("--from-json", from, "--only", "size")).code).toBe(0);
  });

  it("explains itself, and refuses in one line what it does not know", async () => {
    const help = await run("--help");
    expect(help).toMatchObject({ code: 0, error: "" });
    for (const option of ["--only", "--skip", "--render", "--from-json", "--seeds", "--scale"]) {
      expect(help.out).toContain(`  ${option} `);
    }
    const refused = await run("--only", "velocity");
    expect(refused).toMatchObject({ code: 2, out: "" });
    expect(refused.error).toMatch(/^No such benchmark: velocity\.[^\n]+\n$/);
    expect(readdirSync(folder)).toEqual([]);
  });
});
