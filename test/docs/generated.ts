import {
  type Phase,
  TRANSITIONS,
  type Trigger,
} from "../../packages/core/src/protocol/session-state.js";
import { runProgram } from "./run-program.js";

/** A part of a document that is written by a program: which one, and what belongs there. */
export interface GeneratedPart {
  readonly document: string;
  readonly name: string;
  readonly content: () => string;
}

const fenced = (text: string) => `\`\`\`\n${text}\`\`\`\n`;

/** All of them. `node scripts/run.mjs test/docs/write.ts` brings them up to date. */
export const GENERATED_PARTS: readonly GeneratedPart[] = [
  { document: "README.md", name: "demo output", content: () => fenced(demoOutput()) },
  {
    document: "packages/core/PROTOCOL.md",
    name: "session phases",
    content: () => fenced(phaseDiagram(TRANSITIONS)),
  },
];

function demoOutput(): string {
  const { status, stdout, stderr } = runProgram("examples/demo/main.ts");
  if (status !== 0) throw new Error(`The demo failed: ${stderr}`);
  return stdout;
}

/**
 * One line for each transition. What leads to the same phase from every phase but that one is a
 * single line, "any but …".
 */
export function phaseDiagram(transitions: typeof TRANSITIONS): string {
  const phases = Object.keys(transitions) as Phase[];
  const lines: [from: string, trigger: string, to: string][] = [];
  const common: [from: string, trigger: string, to: string][] = [];
  for (const from of phases) {
    for (const [trigger, to] of Object.entries(transitions[from]) as [Trigger, Phase][]) {
      const others = phases.filter((phase) => phase !== to);
      const isCommon =
        others.length > 1 && others.every((phase) => transitions[phase][trigger] === to);
      if (!isCommon) lines.push([from, trigger, to]);
      else if (from === others[0]) common.push([`any but ${to}`, trigger, to]);
    }
  }
  return [...lines, ...common]
    .map(([from, trigger, to]) => `  ${`${from.padEnd(10)} --${trigger}-->`.padEnd(33)} ${to}\n`)
    .join("");
}
