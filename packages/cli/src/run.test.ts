import { FardelError } from "@fardel/core";
import { SerialBridgeError } from "@fardel/serial-bridge";
import { UdpLinkError } from "@fardel/udp-link";
import { describe, expect, it } from "vitest";
import { fileProblem, problemOf } from "./explain-error.js";
import { EXIT, Problem } from "./problem.js";
import { createProgram } from "./program.js";
import { run } from "./run.js";
import { TestContext } from "./test-context.js";

const idle = new AbortController().signal;

describe("run", () => {
  it("tells the version", async () => {
    const context = new TestContext();
    expect(await run(["--version"], context)).toBe(EXIT.done);
    expect(context.out).toMatch(/^\d+\.\d+\.\d+\n$/);
    expect(context.err).toBe("");
  });

  it("has help with an example and all exit codes for every command", async () => {
    const names = createProgram(new TestContext()).commands.map((command) => command.name());
    expect(names).toEqual(expect.arrayContaining(["send", "receive", "ports", "bridge"]));
    for (const name of names) {
      const context = new TestContext();
      expect(await run([name, "--help"], context)).toBe(EXIT.done);
      expect(context.out, name).toContain("Example");
      for (const code of Object.values(EXIT)) {
        expect(context.out, name).toMatch(new RegExp(`^ +${code}  \\S`, "m"));
      }
      expect(context.err).toBe("");
    }
  });

  it("shows the same help by the command help", async () => {
    const [one, other] = [new TestContext(), new TestContext()];
    expect(await run(["help", "send"], one)).toBe(EXIT.done);
    await run(["send", "--help"], other);
    expect(one.out).toBe(other.out);
  });

  it("shows help when no command is given, and calls that a mistake", async () => {
    const context = new TestContext();
    expect(await run([], context)).toBe(EXIT.usage);
    expect(context.err).toContain("Usage: fardel");
  });

  it.each([
    [["sned"], "Unknown command 'sned' (Did you mean send?) See fardel --help."],
    [
      ["send", "--lnik", "x"],
      "Unknown option '--lnik' (Did you mean --link?) See fardel send --help.",
    ],
    [
      ["send", "x"],
      "Say over which link: --link LINK, for instance --link lossy:loss=0.2 to try it. See fardel send --help.",
    ],
    [
      ["send", "x", "--link", "lossy:", "--priority", "high"],
      "Allowed choices are bulk, normal, urgent.",
    ],
    [["send", "x", "--link", "lossy:", "--deadline", "30"], "Give a number with a unit"],
    [["receive", "a", "b", "--link", "lossy:"], "Too many arguments"],
  ])("says in one line what is wrong with %j", async (args, sentence) => {
    const context = new TestContext();
    expect(await run(args, context)).toBe(EXIT.usage);
    expect(context.err).toContain(sentence);
    expect(context.err).toMatch(/^fardel: [^\n]*\n$/);
    expect(context.out).toBe("");
  });

  it("ends lines of JSON with the error", async () => {
    const context = new TestContext();
    expect(await run(["send", "--value", "1", "--json", "--link", "lossy:loss=2"], context)).toBe(
      EXIT.usage,
    );
    expect(context.objects).toEqual([
      { error: { code: "bad-link", message: expect.stringContaining("loss=2") } },
    ]);
    expect(context.err).toContain("fardel: In the link");
  });

  it("prints the stacks, down to the first cause, when it is asked to", async () => {
    const context = new TestContext();
    await run(["send", "no-such-file", "--link", "lossy:"], context, { debug: true });
    expect(context.err).toContain("fardel: no-such-file does not exist");
    expect(context.err).toMatch(/caused by Error: ENOENT/);
  });
});

describe("problemOf", () => {
  it.each([
    [new FardelError("peer-unreachable", "s", "none"), EXIT.failed],
    [new FardelError("link-failed", "s"), EXIT.link],
    [new FardelError("invalid-option", "s"), EXIT.usage],
    [new SerialBridgeError("no-answer", "s"), EXIT.link],
    [new SerialBridgeError("invalid-option", "s"), EXIT.usage],
    [new UdpLinkError("address-in-use", "s"), EXIT.link],
    [new UdpLinkError("bad-address", "s"), EXIT.usage],
  ])("gives %o its exit code", (error, exitCode) => {
    expect(problemOf(error, idle)).toMatchObject({ exitCode, code: error.code, message: "s" });
  });

  it("calls an abort an interruption only when Ctrl-C was pressed", () => {
    const error = new SerialBridgeError("aborted", "s");
    expect(problemOf(error, AbortSignal.abort()).exitCode).toBe(EXIT.interrupted);
    expect(problemOf(error, idle).exitCode).toBe(EXIT.link);
  });

  it("admits what nobody foresaw", () => {
    expect(problemOf(new TypeError("x is not a function"), idle)).toMatchObject({
      exitCode: EXIT.failed,
      code: "internal",
      message: expect.stringContaining("FARDEL_DEBUG=1"),
    });
    expect(problemOf("thrown text", idle).message).toContain("thrown text");
  });

  it("hands problems on as they are", () => {
    const problem = new Problem(EXIT.failed, "x", "s");
    expect(problemOf(problem, AbortSignal.abort())).toBe(problem);
  });
});

describe("fileProblem", () => {
  it("has a sentence for each code, and the code where it has none", () => {
    const of = (code: string) => fileProblem("a.bin", Object.assign(new Error("x"), { code }));
    expect(of("ENOENT")).toMatchObject({
      exitCode: EXIT.usage,
      message: "a.bin does not exist. Check the spelling.",
    });
    expect(of("ENOSPC").exitCode).toBe(EXIT.failed);
    expect(of("EXDEV").message).toContain("EXDEV");
  });
});
