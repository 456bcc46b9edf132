import { printable } from "../output.js";

/**
 * Text of a page that is well-formed as XML too. It can only be made by {@link markup}, which
 * escapes whatever stands in it, or by {@link trusted}.
 */
export class Markup {
  constructor(readonly text: string) {}
}

/** What may stand in a template: text is escaped, markup is not; of a list, each. */
export type Part = string | number | Markup | undefined | readonly Part[];

/** Makes markup of a template: ``markup`<td>${name}</td>` ``. Attributes stand in double quotes. */
export function markup(strings: TemplateStringsArray, ...parts: readonly Part[]): Markup {
  return new Markup(
    strings.map((text, i) => (i === 0 ? text : rendered(parts[i - 1]) + text)).join(""),
  );
}

/** Markup from a source of our own that has escaped its texts: drawings. */
export function trusted(text: string): Markup {
  return new Markup(text);
}

function rendered(part: Part): string {
  if (part === undefined) return "";
  if (part instanceof Markup) return part.text;
  if (typeof part === "string" || typeof part === "number") return escaped(String(part));
  return part.map(rendered).join("");
}

const ENTITIES: Readonly<Record<string, string>> = {
  "&": "&amp;",
  "<": "&lt;",
  ">": "&gt;",
  '"': "&quot;",
  "'": "&#39;",
};

/** Text for XML, between tags and in attributes. */
export function escaped(text: string): string {
  return shown(text).replace(/[&<>"']/g, (character) => ENTITIES[character] ?? character);
}

/**
 * Text as it can be shown: what is invisible, turns the direction of writing, or must not stand in
 * XML becomes `\u{…}`. Line feeds and tabs stay.
 */
export function shown(text: string): string {
  return text
    .split(/([\n\t]|[\p{Noncharacter_Code_Point}])/u)
    .map((part) => (part === "\n" || part === "\t" ? part : printable(part)))
    .join("")
    .replace(/\p{Noncharacter_Code_Point}/gu, (character) => {
      return `\\u{${(character.codePointAt(0) ?? 0).toString(16)}}`;
    });
}
