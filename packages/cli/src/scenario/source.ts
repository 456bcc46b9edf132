import {
  createScanner,
  type Node,
  type ParseError,
  parseTree,
  printParseErrorCode,
} from "jsonc-parser";
import { DEPTH_MAX } from "./limits.js";

/** Way to a field: names and indices. */
export type FieldPath = readonly (string | number)[];

/** Something wrong at one place of a text. */
export interface Fault {
  /** Offset in the text, UTF-16 units. */
  readonly offset: number;
  /** Which field, as in `link.loss[2]`; empty for the whole file. */
  readonly field: string;
  readonly sentence: string;
}

/** JSON with comments and trailing commas, as a value and with the place of each field. */
export interface Source {
  readonly value: unknown;
  readonly faults: readonly Fault[];
  /**
   * Where a field stands. For a field that is missing: the object that lacks it.
   * @param key - whether the name of the field is meant instead of its value
   */
  locate(path: FieldPath, key?: boolean): { readonly offset: number; readonly field: string };
}

/** Reads a text. Whatever it holds, nothing is thrown: what is wrong is in `faults`. */
export function readSource(text: string): Source {
  if (text.trim() === "") {
    return sourceOf(undefined, [{ offset: 0, field: "", sentence: "The file is empty." }]);
  }
  const tooDeep = offsetBeyondDepth(text);
  if (tooDeep !== undefined) {
    const sentence = `Lists and objects stand inside each other more than ${DEPTH_MAX} deep.`;
    return sourceOf(undefined, [{ offset: tooDeep, field: "", sentence }]);
  }
  const errors: ParseError[] = [];
  const root = parseTree(text, errors, { allowTrailingComma: true });
  const faults = errors.map(({ error, offset }) => ({
    offset,
    field: "",
    sentence: sentenceOfSyntax(printParseErrorCode(error)),
  }));
  return sourceOf(root, [...faults, ...repeatedFields(root)]);
}

/** Line and column of an offset, both from 1; the column counts UTF-16 units. */
export function placeOf(text: string, offset: number): { line: number; column: number } {
  const before = text.slice(0, offset).split(/\r\n|\r|\n/);
  return { line: before.length, column: (before.at(-1)?.length ?? 0) + 1 };
}

/** `messages[0].bytes` */
export function fieldName(path: FieldPath): string {
  return path.reduce<string>((text, step) => {
    if (typeof step === "number") return `${text}[${step}]`;
    const name = /^[A-Za-z_]\w*$/.test(step) ? step : JSON.stringify(step);
    return text === "" ? name : `${text}.${name}`;
  }, "");
}

function sourceOf(root: Node | undefined, faults: readonly Fault[]): Source {
  return {
    value: root && asValue(root),
    faults,
    locate(path, key = false) {
      let node = root;
      const found: (string | number)[] = [];
      for (const [index, step] of path.entries()) {
        // A single value where a list may stand has no index of its own.
        if (typeof step === "number" && node?.type !== "array") continue;
        const property = typeof step === "string" ? propertyOf(node, step) : undefined;
        const next = typeof step === "string" ? property?.children?.[1] : node?.children?.[step];
        found.push(step);
        if (key && index === path.length - 1 && property) {
          return { offset: property.offset, field: fieldName(found) };
        }
        if (next === undefined) break;
        node = next;
      }
      return { offset: node?.offset ?? 0, field: fieldName(found) };
    },
  };
}

/** The parser calls itself for each level: too many would exhaust the stack. */
function offsetBeyondDepth(text: string): number | undefined {
  const scanner = createScanner(text, true);
  let depth = 0;
  while (scanner.getPosition() < text.length) {
    scanner.scan();
    const offset = scanner.getTokenOffset();
    const first = text[offset];
    if (first === "{" || first === "[") depth++;
    if (first === "}" || first === "]") depth--;
    if (depth > DEPTH_MAX) return offset;
  }
  return undefined;
}

/** Objects without a prototype: a field called `__proto__` is a field like any other. */
function asValue(node: Node): unknown {
  if (node.type === "array") return (node.children ?? []).map(asValue);
  if (node.type !== "object") return node.value;
  const value: Record<string, unknown> = Object.create(null);
  for (const property of node.children ?? []) {
    const [key, held] = property.children ?? [];
    if (key && held) value[String(key.value)] = asValue(held);
  }
  return value;
}

function propertyOf(node: Node | undefined, name: string): Node | undefined {
  if (node?.type !== "object") return undefined;
  // As in asValue, the last one counts.
  return node.children?.filter((property) => property.children?.[0]?.value === name).at(-1);
}

/** Fields that are given twice: a reader would take one, a parser the other. */
function repeatedFields(node: Node | undefined, path: FieldPath = []): Fault[] {
  if (node?.type === "array") {
    return (node.children ?? []).flatMap((child, index) => repeatedFields(child, [...path, index]));
  }
  if (node?.type !== "object") return [];
  const seen = new Set<unknown>();
  const faults: Fault[] = [];
  for (const property of node.children ?? []) {
    const [key, held] = property.children ?? [];
    const inner = [...path, String(key?.value)];
    if (seen.has(key?.value)) {
      const sentence = "It is given twice. Keep one of the two.";
      faults.push({ offset: property.offset, field: fieldName(inner), sentence });
    }
    seen.add(key?.value);
    faults.push(...repeatedFields(held, inner));
  }
  return faults;
}

/** `CommaExpected` → "A comma is expected here." */
function sentenceOfSyntax(code: string): string {
  const sentences: Readonly<Record<string, string>> = {
    InvalidSymbol: "This word is not JSON. Text needs double quotes.",
    InvalidNumberFormat: "This number is not written as JSON wants it.",
    PropertyNameExpected: "A field name in double quotes is expected here.",
    ValueExpected: "A value is expected here.",
    ColonExpected: "A colon is expected here.",
    CommaExpected: "A comma is expected here.",
    CloseBraceExpected: "A closing } is missing.",
    CloseBracketExpected: "A closing ] is missing.",
    EndOfFileExpected: "Nothing may follow the scenario.",
    InvalidCommentToken: "A comment must not stand here.",
    UnexpectedEndOfComment: "A comment is not closed.",
    UnexpectedEndOfString: 'A closing " is missing.',
    UnexpectedEndOfNumber: "A number breaks off.",
    InvalidUnicode: "An escape \\u needs four hexadecimal digits.",
    InvalidEscapeCharacter: "JSON knows no such escape.",
    InvalidCharacter: "A control character must be written as an escape.",
  };
  return sentences[code] ?? "This is not JSON.";
}
