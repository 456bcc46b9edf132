import { readFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";
import { describe, expect, it } from "vitest";
import { count } from "../format.js";
import { LANES_MAX } from "../report/air-figure.js";
import { MESSAGES_DRAWN_MAX } from "../report/figures.js";
import { PARTS_MAX } from "../report/layout.js";
import { ROWS_MAX } from "../report/model.js";
import { LINES_MAX } from "../report/palette.js";
import { run } from "../run.js";
import * as limits from "../scenario/limits.js";
import { parseScenario } from "../scenario/parse.js";
import { scenarioSchema } from "../scenario/schema.js";
import { TestContext } from "../test-context.js";
import { DATAGRAMS_KEPT_MAX, MAILS_KEPT_MAX } from "./air-log.js";

const folder = join(dirname(fileURLToPath(import.meta.url)), "..", "..");
const text = readFileSync(join(folder, "SIMULATE.md"), "utf8");
const prose = text.replace(/\s+/g, " ");

/** The block behind a mark. */
function checked(name: string): string {
  const [, block] =
    new RegExp(`<!-- checked: ${name} -->\n+\`\`\`text\n([^]*?)\n\`\`\``).exec(text) ?? [];
  if (block === undefined) throw new Error(`SIMULATE.md has no block "${name}".`);
  return block;
}

async function outputOf(...args: string[]): Promise<string> {
  const context = new TestContext();
  await run(args, context);
  return context.out;
}

/** Names in the first column of the table with this heading. */
function namesIn(heading: string): string[] {
  const [, rows = ""] =
    new RegExp(`^\\| ${heading} +\\|.*\n\\|[-| ]+\n((?:\\|.*\n)+)`, "m").exec(text) ?? [];
  return [...rows.matchAll(/^\| `(\w+)`/gm)].map(([, name = ""]) => name);
}

describe("SIMULATE.md", () => {
  it("shows the scenario that is in the folder", () => {
    const scenario = readFileSync(join(folder, "scenarios/one-table.jsonc"), "utf8");
    expect(text).toContain(`\`\`\`jsonc\n${scenario}\`\`\``);
  });

  it("shows what the commands print", async () => {
    const path = join(folder, "scenarios/one-table.jsonc");
    expect(await outputOf("simulate", path, "--seeds", "50")).toBe(`${checked("simulate")}\n`);
    const args = ["estimate", "--bytes", "12458", "--loss", "0.2", "--window", "16", "--check"];
    const [figures] = (await outputOf(...args)).split("\n\nWhere the figures come from:");
    expect(figures).toBe(checked("estimate"));
  });

  it("lists every field, and no other", () => {
    const { shape } = scenarioSchema;
    expect(namesIn("field")).toEqual(Object.keys(shape));
    expect(namesIn("field of `link`")).toEqual(Object.keys(shape.link.unwrap().shape));
    expect(namesIn("field of a message")).toEqual(Object.keys(shape.messages.element.shape));
  });

  it("states the defaults that hold", () => {
    const [each] = parseScenario("x", '{"messages":[{"from":"board","bytes":1}]}').cases;
    const stated = (name: string) =>
      new RegExp(`^\\| \`${name}\` +\\| (.*?) +\\|`, "m").exec(text)?.[1];
    const { priority, way, atS, spreadS, everyS, count: times, deadlineS } = each!.messages[0]!;
    const message = {
      priority: `\`${priority}\``,
      way: `\`${way}\``,
      atS,
      spreadS,
      everyS,
      count: times,
      deadlineS,
    };
    const { preset, loss, burst, duplicate, reorder, corrupt } = each!.link;
    const link = { preset: `\`${preset}\``, loss, burst, duplicate, reorder, corrupt };
    const all = { window: each!.window, boards: each!.boards, ...link, ...message };
    for (const [name, value] of Object.entries(all)) expect(stated(name), name).toBe(String(value));
  });

  it("states the limits that hold", () => {
    expect(prose).toContain(
      `At most ${count(limits.CASES_MAX)} combinations, ${count(limits.SEEDS_MAX)} seeds, ${limits.BOARDS_MAX} boards, ${limits.ENTRIES_MAX} entries of \`messages\`, ${count(limits.RUN_MESSAGES_MAX)} messages and ${limits.RUN_BYTES_MAX / 2 ** 20} MiB in one run, a day of virtual time, ${count(limits.SAMPLES_MAX)} delivery times`,
    );
    expect(prose).toContain(
      `At most ${LINES_MAX} lines and ${PARTS_MAX} panels are drawn, and the times of ${MESSAGES_DRAWN_MAX} messages; of one run ${count(DATAGRAMS_KEPT_MAX)} datagrams, ${MAILS_KEPT_MAX} messages and ${LANES_MAX} stations; a table holds at most ${count(ROWS_MAX)} rows.`,
    );
    expect(limits.TIME_S_MAX).toBe(86_400);
    expect(prose).toContain(`size, 0 to ${count(limits.MESSAGE_BYTES_MAX)}; a list`);
  });
});
