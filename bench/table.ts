import type { Benchmark, Row } from "./benchmark.js";

/** A benchmark as a table for people: what it is, the columns' meaning, the rows. */
export function renderTable({ name, title, notes }: Benchmark, rows: readonly Row[]): string {
  const columns = [...new Set(rows.flatMap((row) => Object.keys(row)))].filter(
    (column) => column !== "bench",
  );
  const cells = [columns, ...rows.map((row) => columns.map((column) => String(row[column] ?? "")))];
  const widths = columns.map((_, i) => Math.max(...cells.map((line) => line[i]?.length ?? 0)));
  const lines = cells.map((line) =>
    line
      .map((cell, i) => cell.padStart(widths[i] as number))
      .join("  ")
      .trimEnd(),
  );
  return [
    `${name}: ${title}`,
    `npm run bench -- ${name}`,
    "",
    ...notes.map((note) => `  ${note}`),
    "",
    ...lines,
    "",
  ].join("\n");
}
