import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";

/** A program in a document, and what it prints if the document says so. */
export interface Snippet {
  /** Line of the document, from 1, on which the program begins. */
  readonly line: number;
  readonly code: string;
  /** The `text` block that follows the program with nothing but a paragraph between. */
  readonly output: string | undefined;
}

interface Block {
  readonly language: string;
  readonly line: number;
  readonly content: string;
}

/** @param path - relative to the root of the repository */
export function readDocument(path: string): string {
  return readFileSync(new URL(`../../${path}`, import.meta.url), "utf8");
}

export const root = fileURLToPath(new URL("../..", import.meta.url));

function blocks(document: string): Block[] {
  const found: Block[] = [];
  let open: { language: string; line: number; lines: string[] } | undefined;
  for (const [index, line] of document.split("\n").entries()) {
    if (open && line === "```") {
      found.push({ ...open, content: open.lines.map((each) => `${each}\n`).join("") });
      open = undefined;
    } else if (open) open.lines.push(line);
    else if (line.startsWith("```")) open = { language: line.slice(3), line: index + 2, lines: [] };
  }
  if (open) throw new Error(`The block that begins on line ${open.line} has no end.`);
  return found;
}

/** Every block marked `ts`. A `text` block after it is what it prints, unless another comes first. */
export function snippets(document: string): Snippet[] {
  const all = blocks(document);
  return all.flatMap(({ language, line, content }, index) => {
    if (language !== "ts") return [];
    const next = all[index + 1];
    return [{ line, code: content, output: next?.language === "text" ? next.content : undefined }];
  });
}

const mark = (name: string) => `<!-- generated: ${name} -->\n`;
const END = "<!-- end generated -->";

/** What stands between `<!-- generated: name -->` and `<!-- end generated -->`. */
export function generatedPart(document: string, name: string): string {
  const { from, to } = borders(document, name);
  return document.slice(from, to);
}

/** The document with that part replaced. */
export function withGeneratedPart(document: string, name: string, content: string): string {
  const { from, to } = borders(document, name);
  return document.slice(0, from) + content + document.slice(to);
}

function borders(document: string, name: string): { from: number; to: number } {
  const at = document.indexOf(mark(name));
  const from = at + mark(name).length;
  const to = document.indexOf(END, from);
  if (at < 0 || to < 0) throw new Error(`There is no part "${name}" between comments.`);
  return { from, to };
}

/** The rows of the table whose first head cell is `firstHead`, as cells of plain text. */
export function table(document: string, firstHead: string): string[][] {
  const lines = document.split("\n");
  const head = lines.findIndex((line) => line.startsWith("|") && cells(line)[0] === firstHead);
  if (head < 0) throw new Error(`There is no table whose first column is "${firstHead}".`);
  const rows: string[][] = [];
  for (const line of lines.slice(head + 2)) {
    if (!line.startsWith("|")) break;
    rows.push(cells(line));
  }
  return rows;
}

function cells(line: string): string[] {
  return line
    .replace(/^\||\|$/g, "")
    .split("|")
    .map((cell) => cell.trim());
}

/** The document without its blocks, its comments and the addresses of its links. */
export function prose(document: string): string {
  return document
    .replace(/^```[\s\S]*?^```$/gm, "")
    .replace(/<!--[\s\S]*?-->/g, "")
    .replace(/\]\([^)]*\)/g, "]");
}
