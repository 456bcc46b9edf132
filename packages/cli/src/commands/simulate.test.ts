import { mkdtemp, readFile, rm, stat, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { basename, join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { EXIT } from "../problem.js";
import { run } from "../run.js";
import { TestContext } from "../test-context.js";

let folder: string;

beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-simulate-"));
});

afterAll(async () => {
  await rm(folder, { recursive: true });
});

/** Two combinations that take a moment; at full loss every run fails. */
const SCENARIO = {
  title: "Frost watch (invented)",
  link: { loss: [0, 0.2] },
  messages: [{ from: "gateway", bytes: 2000, deadlineS: 30 }],
};
const FAILING = { ...SCENARIO, link: { loss: [0, 1] } };

async function written(scenario: object, name = "frost.json"): Promise<string> {
  const path = join(folder, name);
  await writeFile(path, JSON.stringify(scenario, undefined, 1));
  return path;
}

async function simulate(...args: string[]) {
  const context = new TestContext();
  const code = await run(["simulate", ...args], context);
  return { code, out: context.out, err: context.err, objects: () => context.objects };
}

describe("fardel simulate", () => {
  it("prints a row for each combination, and the same bytes each time", async () => {
    const path = await written(SCENARIO);
    const [one, other] = [
      await simulate(path, "--seeds", "5"),
      await simulate(path, "--seeds", "5"),
    ];
    expect(one).toMatchObject({ code: EXIT.done, err: "" });
    expect(one.out).toBe(other.out);
    expect(one.out).toContain(
      "Frost watch (invented)\n2 combinations, seeds 1 to 5; virtual time.",
    );
    expect(one.out).toContain("cut and counts as failed");
    expect(one.out).toMatch(/\n {3}1 {5}0 {5}5 {7}0 {5}5 {10}5 /);
    expect(one.out).toMatch(/\n {3}2 {3}0\.2 {5}5 {7}0 {5}5 {10}5 /);
    expect((await simulate(path, "--seeds", "5", "--from", "6")).out).not.toBe(one.out);
  });

  it("reads the scenario from standard input", async () => {
    const context = new TestContext({ input: [Buffer.from(JSON.stringify(SCENARIO))] });
    expect(await run(["simulate", "-", "--seeds", "2"], context)).toBe(EXIT.done);
    expect(context.out).toContain("2 combinations");
  });

  it("exits with 1 if a run failed, names it, and shows it again", async () => {
    const path = await written(FAILING, "it's.json");
    const { code, out } = await simulate(path, "--seeds", "2");
    expect(code).toBe(EXIT.failed);
    expect(out).toContain(
      "2 runs failed; the commands show it again:\n  seed 1, case 2: message 1",
    );
    const [, line = ""] = /\n {4}fardel (simulate .*) --trace\n/.exec(out) ?? [];
    expect(line).toBe(`simulate '${path.replace("'", "'\\''")}' --seed 1 --case 2`);
    const again = await simulate(path, "--seed", "1", "--case", "2", "--trace");
    expect(again.code).toBe(EXIT.failed);
    expect(again.out).toContain("hears of message 1: deadline-passed");
    expect(again.out).toMatch(/failed: message 1 from gateway to board 1: deadline-passed\.\n$/);
    expect((await simulate(path, "--seeds", "2", "--allow-failures")).code).toBe(EXIT.done);
  });

  it("--json prints a line for each combination, then the result", async () => {
    const { code, objects } = await simulate(await written(FAILING), "--seeds", "3", "--json");
    expect(code).toBe(EXIT.failed);
    expect(objects()).toMatchObject([
      { type: "combination", case: 1, runs: 3, failedRuns: 0 },
      { type: "combination", case: 2, runs: 3, failedRuns: 3, messages: [{ delivered: 0 }] },
      {
        type: "result",
        runs: 6,
        failedRuns: 3,
        isPartial: false,
        failures: [{ case: 2, seed: 1 }, { seed: 2 }, { seed: 3 }],
      },
    ]);
  });

  it("--csv writes a file beside the table, or only CSV to standard output", async () => {
    const path = await written(SCENARIO);
    const file = join(folder, "frost.csv");
    const beside = await simulate(path, "--seeds", "2", "--csv", file);
    expect(beside.out).toContain("median ms");
    const text = await readFile(file, "utf8");
    const alone = await simulate(path, "--seeds", "2", "--csv", "-");
    expect(alone.out).toBe(text);
    const rows = text.trimEnd().split("\n");
    expect(rows).toHaveLength(3);
    expect(rows[0]).toMatch(
      /^case,preset,mtuBytes,loss,.*,p99Us,efficiency,datagramsPerMessage,p5Us,airtimeUs$/,
    );
  });

  it("--html writes a page beside the table, the same bytes each time", async () => {
    const path = await written(SCENARIO);
    const [file, again, csv] = ["a.html", "b.html", "a.csv"].map((name) => join(folder, name));
    const plain = await simulate(path, "--seeds", "3");
    const beside = await simulate(path, "--seeds", "3", "--html", file!, "--csv", csv!);
    expect(beside).toMatchObject({ code: EXIT.done, err: "", out: plain.out });
    const page = await readFile(file!, "utf8");
    expect(page).toMatch(/^<!DOCTYPE html>\n/);
    expect(page).toContain("<h1>Frost watch (invented)</h1>");
    expect(page).toContain("All 6 runs did what they should");
    expect(page).not.toContain(folder);
    expect(page).toContain(`simulate ${basename(path)} --seeds 3 --html report.html</code>`);
    await simulate(path, "--seeds", "3", "--html", again!, "--json");
    expect(await readFile(again!, "utf8")).toBe(page);
    expect((await readFile(csv!, "utf8")).split("\n")).toHaveLength(4);
    expect((await simulate(path, "--seeds", "3", "--html", "-")).out).toBe(page);
  });

  it("--html shows failed runs, and one combination alone", async () => {
    const path = await written(FAILING);
    const args = ["--seed", "4", "--case", "2", "--html", "-"];
    const { code, out } = await simulate(path, ...args);
    expect(code).toBe(EXIT.failed);
    expect(out).toContain("The run failed.");
    expect(out).toContain(`fardel simulate ${basename(path)} --seed 4 --case 2 --trace`);
    expect(out).toContain(`fardel simulate ${basename(path)} --seed 4 --case 2 --html report.html`);
    expect((await simulate(path, ...args, "--allow-failures")).code).toBe(EXIT.done);
    expect(out).toContain("The run on the air");
    const from = ["--seeds", "2", "--from", "7", "--html", "-"];
    const two = await simulate(path, ...from);
    expect(two.out).toContain("--seeds 2 --from 7 --html");
    expect(two.out).not.toContain("The run on the air");
  });

  it("--trace prints each datagram in words with its fate", async () => {
    const path = await written(SCENARIO);
    const { code, out } = await simulate(path, "--seed", "1", "--case", "2", "--trace");
    expect(code).toBe(EXIT.done);
    const lines = out.trimEnd().split("\n");
    expect(lines[0]).toBe(
      "       0.000 ms  gateway               sends message 1 to board 1: 2,000 bytes, normal, ordered",
    );
    expect(lines[1]).toMatch(
      /^ {7}1\.280 ms {2}gateway > board 1 {5}#1 {2}48 bytes (delivered|lost): long from .* hello version 1/,
    );
    expect(out).toMatch(/ bytes lost: short /);
    expect(out).toMatch(/board 1 {15}has message 1, [\d.]+ ms after it was sent\n/);
    expect(lines.at(-1)).toMatch(
      /^Seed 1, case 2: \d+ datagrams, the last delivery after .* no failure\.$/,
    );
    const times = lines.slice(0, -1).map((line) => Number.parseFloat(line));
    expect(times).toEqual([...times].sort((one, other) => one - other));
    expect((await simulate(path, "--seed", "1", "--case", "2", "--trace")).out).toBe(out);
  });

  it("--trace --json gives the same as objects", async () => {
    const path = await written(SCENARIO);
    const { objects } = await simulate(path, "--seed", "1", "--case", "1", "--trace", "--json");
    const types = objects().map(({ type }) => type);
    expect(types[0]).toBe("sent");
    expect(types.slice(-3)).toEqual(["datagram", "ended", "result"]);
    expect(objects()[1]).toMatchObject({
      type: "datagram",
      from: 0,
      to: 1,
      fate: "delivered",
      atUs: 1280,
    });
  });
});

describe("Ctrl-C", () => {
  it("shows what was done until then, as partial, and exits with 130", async () => {
    const context = new TestContext({ isTerminal: true });
    const done = run(["simulate", await written(SCENARIO), "--seeds", "100000"], context);
    await context.said("of 200,000 runs");
    context.interrupt();
    expect(await done).toBe(EXIT.interrupted);
    const [, runs = ""] =
      /PARTIAL: ended by Ctrl-C after ([\d,]+) of 200,000 runs\./.exec(context.out) ?? [];
    expect(Number(runs.replace(",", ""))).toBeGreaterThan(0);
    expect(context.out).toMatch(/\n {3}1 {5}0 /);
    expect(context.out).not.toMatch(/\n {3}2 {3}0\.2 /);
  });

  it("--json says so too", async () => {
    const context = new TestContext({ isTerminal: true });
    const path = await written(SCENARIO);
    const done = run(["simulate", path, "--seeds", "100000", "--json"], context);
    await context.said("of 200,000 runs");
    context.interrupt();
    expect(await done).toBe(EXIT.interrupted);
    expect(context.objects.at(-1)).toMatchObject({ type: "result", isPartial: true });
  });

  it("leaves a page that says so", async () => {
    const context = new TestContext({ isTerminal: true });
    const file = join(folder, "partial.html");
    const args = ["--seeds", "100000", "--html", file];
    const done = run(["simulate", await written(SCENARIO), ...args], context);
    await context.said("of 200,000 runs");
    context.interrupt();
    expect(await done).toBe(EXIT.interrupted);
    const page = await readFile(file, "utf8");
    expect(page).toContain("<title>PARTIAL: Frost watch (invented)</title>");
    expect(page).toMatch(/Ended by Ctrl-C after [\d,]+ of 200,000 runs/);
  });

  it("before the first run leaves a page that says that there is none", async () => {
    const context = new TestContext();
    context.interrupt();
    const file = join(folder, "none.html");
    const args = ["simulate", await written(SCENARIO), "--html", file];
    expect(await run(args, context)).toBe(EXIT.interrupted);
    expect(await readFile(file, "utf8")).toContain("No run was done: nothing can be said.");
  });

  it("before the first run is over leaves no table", async () => {
    const context = new TestContext();
    context.interrupt();
    expect(await run(["simulate", await written(SCENARIO)], context)).toBe(EXIT.interrupted);
    expect(context.out).toBe("");
    expect(context.err).toContain("Ended by Ctrl-C before the first run was done.");
  });
});

describe("a command line that cannot be understood", () => {
  it.each([
    [["--trace"], "add --seed NUMBER."],
    [["--trace", "--seed", "1"], "has 2 combinations: add --case 1 to 2."],
    [["--trace", "--seed", "1", "--csv", "x.csv"], "leave out --csv."],
    [["--trace", "--seed", "1", "--case", "1", "--html", "x.html"], "leave out --html."],
    [["--html", "-", "--csv", "-"], "--csv - and --html - both want standard output."],
    [["--html", "x", "--csv", "./x"], "--csv and --html name the same file."],
    [["--html", "no/such/folder/x.html"], "no/such/folder/x.html does not exist."],
    [["--case", "3"], "There is no combination 3: the scenario has 2. Give --case 1 to 2."],
    [["--seeds", "0"], "Give a whole number from 1"],
    [["--seeds", "many"], "Give a whole number from 1"],
    [["--seads", "3"], "(Did you mean --seeds?)"],
    [["--csv", "no/such/folder/x.csv"], "no/such/folder/x.csv does not exist."],
  ])("%j", async (args, sentence) => {
    const { code, out, err } = await simulate(await written(SCENARIO), ...args);
    expect({ code, out }).toEqual({ code: EXIT.usage, out: "" });
    expect(err).toContain(sentence);
  });

  it.each(["--csv", "--html"])("%s - and --json both want standard output", async (option) => {
    const args = [option, "-", "--json"];
    const { code, objects } = await simulate(await written(SCENARIO), ...args);
    expect(code).toBe(EXIT.usage);
    expect(objects()).toMatchObject([{ error: { code: "usage" } }]);
  });

  it("a scenario that is missing, a folder, too large, or wrong", async () => {
    expect(await simulate(join(folder, "none.json"))).toMatchObject({ code: EXIT.usage });
    expect((await simulate(folder)).err).toContain("is a folder");
    const large = join(folder, "large.json");
    await writeFile(large, " ".repeat(1024 * 1024 + 1));
    expect((await simulate(large)).err).toContain("is larger than 1,048,576 bytes");
    const wrong = await written({ ...SCENARIO, windows: 8 }, "wrong.json");
    const { code, err } = await simulate(wrong);
    expect(code).toBe(EXIT.usage);
    expect(err).toContain(`${wrong}:16:2: windows: There is no such field. Did you mean window?`);
  });

  it("more delivery times than are kept", async () => {
    const path = await written({ messages: [{ from: "board", bytes: 8, count: 1000 }] });
    const { code, err } = await simulate(path, "--seeds", "5001");
    expect(code).toBe(EXIT.usage);
    expect(err).toContain("make 5,001,000 delivery times for one combination");
  });

  it.each(["--csv", "--html"])(
    "does not touch the file of %s if the scenario is wrong",
    async (option) => {
      const file = join(folder, "kept");
      await writeFile(file, "kept");
      await simulate(await written({}, "empty.json"), option, file);
      expect((await stat(file)).size).toBe(4);
    },
  );
});
