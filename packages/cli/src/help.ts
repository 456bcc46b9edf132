import type { Command } from "commander";
import { EXIT, type ExitCode } from "./problem.js";

/** What stands below the options in the help of a command. */
export interface HelpText {
  /** Command lines, each with what it does. */
  readonly examples: readonly (readonly [line: string, does: string])[];
  /** What this command means by the codes that are not the same everywhere. */
  readonly exitCodes: Partial<Record<keyof typeof EXIT, string>>;
  /** Paragraphs in between. */
  readonly notes?: readonly string[];
}

const EVERYWHERE: Readonly<Record<keyof typeof EXIT, string>> = {
  done: "done",
  failed: "not done",
  usage: "the command line, or a file that it names, cannot be understood",
  link: "the link, port or address cannot be opened or found",
  interrupted: "ended by Ctrl-C",
};

/** Adds examples and exit codes to `--help`. */
export function withHelp(command: Command, { examples, exitCodes, notes = [] }: HelpText): Command {
  const codes = Object.entries(EXIT) as [keyof typeof EXIT, ExitCode][];
  const sections = [
    "",
    ...notes.flatMap((note) => [note, ""]),
    examples.length === 1 ? "Example:" : "Examples:",
    ...examples.flatMap(([line, does]) => [`  ${line}`, `      ${does}`]),
    "",
    "Exit codes:",
    ...codes.map(
      ([name, code]) => `  ${String(code).padStart(3)}  ${exitCodes[name] ?? EVERYWHERE[name]}`,
    ),
  ];
  return command.addHelpText("after", sections.join("\n"));
}
