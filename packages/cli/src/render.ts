import { printable } from "./output.js";

/** Text in columns, for a terminal. All pure. */

/** A column of a table. */
export interface Column {
  readonly title: string;
  /** Default: left. */
  readonly align?: "left" | "right";
}

const GAP = "  ";

/**
 * Lines of a table, the titles first. Each column is as wide as its widest cell. Cells are made
 * printable: what a peer chose cannot move the cursor.
 */
export function tableLines(columns: readonly Column[], rows: readonly (readonly string[])[]) {
  const cells = [columns.map(({ title }) => title), ...rows.map((row) => row.map(printable))];
  const widths = columns.map((_, index) =>
    cells.reduce((widest, row) => Math.max(widest, widthOf(row[index] ?? "")), 0),
  );
  return cells.map((row) =>
    columns
      .map(({ align }, index) => pad(row[index] ?? "", widths[index] ?? 0, align === "right"))
      .join(GAP)
      .trimEnd(),
  );
}

/** A text filled up with spaces; one that is wider stays as it is. */
export function pad(text: string, width: number, isRight = false): string {
  const space = " ".repeat(Math.max(0, width - widthOf(text)));
  return isRight ? space + text : text + space;
}

/** As much of a line as fits; `…` stands for the rest. */
export function truncate(line: string, width: number): string {
  if (widthOf(line) <= width) return line;
  let shown = "";
  let left = width - 1;
  for (const character of line) {
    left -= widthOfCharacter(character);
    if (left < 0) break;
    shown += character;
  }
  return width > 0 ? `${shown}…` : "";
}

/** Columns that a printable text takes on a terminal. */
export function widthOf(text: string): number {
  if (/^[\x20-\x7e]*$/.test(text)) return text.length;
  let width = 0;
  for (const character of text) width += widthOfCharacter(character);
  return width;
}

/**
 * East Asian wide and full-width characters, roughly (Unicode, UAX #11), and pictures. Taking too
 * many for wide costs a space; taking too few would wrap a line.
 */
const WIDE =
  /[\u1100-\u115f\u2e80-\ua4cf\ua960-\ua97f\uac00-\ud7a3\uf900-\ufaff\ufe10-\ufe6f\uff00-\uff60\uffe0-\uffe6\u{16fe0}-\u{1b2ff}\u{1f000}-\u{1faff}\u{20000}-\u{3ffff}\p{Emoji_Presentation}]/u;

function widthOfCharacter(character: string): number {
  if (/\p{Mn}|\p{Me}/u.test(character)) return 0;
  return WIDE.test(character) ? 2 : 1;
}
