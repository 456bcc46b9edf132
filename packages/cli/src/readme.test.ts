import { readFileSync } from "node:fs";
import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { BOARDS_SHOWN_MAX } from "./commands/board-list.js";
import { count } from "./format.js";
import { parseLink } from "./link-address/link-syntax.js";
import { BOARDS_IN_PAIRING_MODE_MAX } from "./link-address/lossy.js";
import { EXIT } from "./problem.js";
import { createProgram } from "./program.js";
import { runToEnd, TestContext } from "./test-context.js";

const read = (name: string) => readFileSync(new URL(`../${name}`, import.meta.url), "utf8");
const readme = read("README.md");

/** The lines of all blocks of one language. */
function linesOf(document: string, language: string): string[] {
  const blocks = document.matchAll(new RegExp(`^\`\`\`${language}\\n([^]*?)^\`\`\``, "gm"));
  return [...blocks].flatMap(([, block = ""]) => block.split("\n").filter((line) => line !== ""));
}

/** Words as a shell would take them; single quotes are all that the document uses. */
function words(line: string): string[] {
  return [...line.matchAll(/'([^']*)'|(\S+)/g)].map(([, quoted, plain]) => quoted ?? plain ?? "");
}

describe("the tour in README.md", () => {
  const before = process.cwd();
  let folder: string;
  beforeAll(async () => {
    folder = await mkdtemp(join(tmpdir(), "fardel-tour-"));
    process.chdir(folder);
  });
  afterAll(async () => {
    process.chdir(before);
    await rm(folder, { recursive: true, force: true });
  });

  it("runs, line by line", async () => {
    const lines = linesOf(readme, "sh");
    expect(lines.length).toBeGreaterThan(8);
    for (const line of lines) {
      const [first = "", ...rest] = words(line);
      if (first === "echo") {
        const [text = "", arrow, file = ""] = rest;
        expect(arrow).toBe(">");
        await writeFile(file, `${text}\n`);
        continue;
      }
      const mustFail = first === "!";
      const [name, ...args] = mustFail ? rest : [first, ...rest];
      expect(name).toBe("fardel");
      const context = new TestContext({ peersFile: join(folder, "peers.json") });
      const code = await runToEnd(args, context);
      if (args.includes("row-1") && name === "fardel" && args[0] === "send")
        expect(context.out).toContain("encrypted and authenticated, with the key");
      expect([line, context.err, code]).toEqual([
        line,
        context.err,
        mustFail ? EXIT.failed : EXIT.done,
      ]);
    }
  });

  it("names only commands and options that there are", () => {
    const program = createProgram(new TestContext());
    const lines = [...linesOf(readme, "sh"), ...linesOf(readme, "console")];
    for (const line of lines) {
      const [, name, ...args] = words(line.replace(/^[$!] /, ""));
      const command = program.commands.find((one) => one.name() === name);
      const flags = args.filter((word) => /^--?[a-z]/.test(word));
      const known = command?.options.flatMap(({ long, short }) => [long, short]) ?? [];
      if (command) expect(known, line).toEqual(expect.arrayContaining(flags));
      const link = args[args.indexOf("--link") + 1];
      if (args.includes("--link") && link) expect(() => parseLink(link)).not.toThrow();
    }
  });
});

describe("the figures in README.md", () => {
  it("are those of the code", () => {
    expect(readme).toContain(`It remembers ${count(BOARDS_SHOWN_MAX)} boards`);
    expect(readme).toContain(`the first ${BOARDS_IN_PAIRING_MODE_MAX} are in pairing mode`);
  });
});

describe("the tables in README.md", () => {
  it("have every command", () => {
    for (const command of createProgram(new TestContext()).commands) {
      expect(readme).toContain(`| \`fardel ${command.name()}\``);
    }
  });

  it("have every exit code", () => {
    const codes = [...readme.matchAll(/^\| (\d+) +\|/gm)].map(([, code]) => Number(code));
    expect(codes).toEqual(Object.values(EXIT));
  });

  it("have every name that a lossy: link takes", () => {
    let allowed = "";
    try {
      parseLink("lossy:?");
    } catch (error) {
      allowed = String(error).split("Allowed: ")[1] ?? "";
    }
    const names = allowed.replace(/\.$/, "").split(", ");
    expect(names).toContain("distance");
    for (const name of names) expect(readme).toMatch(new RegExp(`^\\|[^|]*\`${name}\``, "m"));
  });
});

describe("FORMATS.md", () => {
  it("shows the bytes of a named message as they are", () => {
    const line = /^ {2}(c1 01 83 .*?)<32 bytes> <content>$/m.exec(read("FORMATS.md"))?.[1] ?? "";
    // The same bytes are held against the encoder in named-message.test.ts.
    expect(line.replaceAll(" ", "")).toBe("c10183a46e616d65a166a5627974657305a6736861323536c420");
  });
});
