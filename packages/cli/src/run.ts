import { type Command, CommanderError } from "commander";
import type { Context } from "./context.js";
import { problemOf } from "./explain-error.js";
import { printable, writeJson } from "./output.js";
import { EXIT, type ExitCode, type Problem } from "./problem.js";
import { createProgram } from "./program.js";

/** What is known about a run besides its output. */
export interface RunOptions {
  /** Print the stack of what went wrong (`FARDEL_DEBUG=1`). Default `false`. */
  readonly debug?: boolean;
}

/**
 * Run one command.
 *
 * A problem goes to `err` as one sentence. With `--json`, `out` has nothing but lines of JSON, and
 * the last one is the result or `{"error": {"code", "message"}}`.
 *
 * @param args - what stands behind `fardel` on the command line
 * @returns the exit code; never rejects
 */
export async function run(
  args: readonly string[],
  context: Context,
  { debug = false }: RunOptions = {},
): Promise<ExitCode> {
  let exitCode: ExitCode = EXIT.done;
  const program = createProgram({
    output: context.output,
    input: context.input,
    signal: context.signal,
    clock: context.clock,
    today: () => context.today(),
    peersFile: context.peersFile,
    exitWith: (code) => {
      exitCode = code;
    },
  });
  try {
    await program.parseAsync(args, { from: "user" });
    return exitCode;
  } catch (error) {
    if (error instanceof CommanderError && isHelp(error)) {
      return error.exitCode === 0 ? EXIT.done : EXIT.usage;
    }
    const problem = problemOf(error, context.signal);
    report(problem, args, program, context);
    if (debug) context.output.err(`${stackOf(problem)}\n`);
    return problem.exitCode;
  }
}

/** Help was asked for, or shown because no command was given. */
function isHelp({ code }: CommanderError): boolean {
  return (
    code === "commander.help" || code === "commander.helpDisplayed" || code === "commander.version"
  );
}

function report(
  problem: Problem,
  args: readonly string[],
  program: Command,
  { output }: Context,
): void {
  const advice = problem.code === "usage" ? ` See ${helpFor(args, program)}.` : "";
  const sentence = problem.message.split("\n").map(printable).join("\n");
  output.err(`fardel: ${sentence}${advice}\n`);
  if (!wantsJson(args)) return;
  const { code, message, details } = problem;
  writeJson(output, { error: { code, message, ...details } });
}

function wantsJson(args: readonly string[]): boolean {
  const end = args.indexOf("--");
  return args.slice(0, end < 0 ? undefined : end).includes("--json");
}

function helpFor([name]: readonly string[], program: Command): string {
  const isCommand = program.commands.some((command) => command.name() === name);
  return isCommand ? `fardel ${name} --help` : "fardel --help";
}

function stackOf(problem: Problem): string {
  const lines: string[] = [];
  for (let error: unknown = problem; error instanceof Error; error = error.cause) {
    lines.push(error.stack ?? error.message);
  }
  return lines.join("\ncaused by ");
}
