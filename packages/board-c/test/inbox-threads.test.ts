import { spawnSync } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { ROOT } from "./support/sources.js";

/*
 * Datagrams and outcomes from two threads, emptied by a third; threads/inbox-threads.c says how the
 * sanitizer is made to see what C99 has no words for.
 */

const INBOX = join(ROOT, "src/inbox/inbox.c");
const BARRIER = "FARDEL_BARRIER();";
const OPTIONS = [
  ...["-std=c99", "-Wall", "-Wextra", "-pedantic", "-Werror", "-g", "-O1", "-pthread"],
  ...["-fsanitize=thread", "-mllvm", "-tsan-distinguish-volatile=1"],
  ...["-DFARDEL_BARRIER()=told_barrier()", "-include", join(ROOT, "test/threads/barrier.h")],
  ...["-I", join(ROOT, "include")],
];

describe.skipIf(lacksCommands("clang"))("the inbox between threads", () => {
  let folder = "";
  beforeAll(() => {
    folder = mkdtempSync(join(tmpdir(), "fardel-threads-"));
  });
  afterAll(() => rmSync(folder, { recursive: true, force: true }));

  const build = (name: string, inbox: string) => {
    const program = join(folder, name);
    const sources = [inbox, join(ROOT, "test/threads/inbox-threads.c")];
    const options = { encoding: "utf8" } as const;
    const result = spawnSync("clang", [...OPTIONS, ...sources, "-o", program], options);
    if (result.status !== 0) throw new Error(result.error?.message ?? result.stderr);
    return program;
  };
  const run = (program: string, ...words: number[]) => {
    // One report is enough. A race whose first half it has forgotten would not be reported: it remembers much.
    const env = { ...process.env, TSAN_OPTIONS: "halt_on_error=1:history_size=7" };
    const start = (...command: string[]) => {
      const [first = "", ...rest] = [...command, program, ...words.map(String)];
      const { stdout, stderr } = spawnSync(first, rest, { encoding: "utf8", env });
      return `${stdout}${stderr}`;
    };
    const said = start();
    // Older sanitizers do not know where newer kernels put things, unless these are put where they always were.
    return said.includes("unexpected memory mapping")
      ? start("setarch", "--addr-no-randomize")
      : said;
  };

  it.each([
    [50_000, 2, 250],
    [50_000, 1, 20],
    [50_000, 127, 64],
  ])(
    "%i of each come out once, in order and unchanged; %i slots of %i bytes",
    (count, slots, mtu) => {
      const program = build("as-it-is", INBOX);
      const through = `${count} datagrams and ${count} outcomes came through`;
      expect(run(program, count, slots, mtu)).toMatch(
        new RegExp(`^${through}, [1-9]\\d* were refused\n$`),
      );
    },
  );

  it("needs each of its barriers: without it the sanitizer reports a race", () => {
    const text = readFileSync(INBOX, "utf8");
    const parts = text.split(BARRIER);
    expect(parts.length).toBeGreaterThan(5);
    for (let left = 1; left < parts.length; left++) {
      const broken = join(folder, `without-${left}.c`);
      const [before, behind] = [parts.slice(0, left), parts.slice(left)];
      writeFileSync(broken, `${before.join(BARRIER)}${behind.join(BARRIER)}`);
      expect(run(build(`without-${left}`, broken), 50_000, 1, 20)).toContain("data race");
    }
  });
});
