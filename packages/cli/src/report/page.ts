import { count } from "../format.js";
import type { DataTable, Figure } from "./figure.js";
import { type Markup, markup, trusted } from "./markup.js";
import type { CutTable, Report, Verdict } from "./model.js";
import { type LineStyle, lineStyle, type Mark, TONES } from "./palette.js";
import type { Panel } from "./panel.js";
import { styleSheet } from "./style.js";
import { CAUTIONS, GLOSSARY } from "./wording.js";

/** Draws a panel as SVG. @param name - unique in the page */
export type DrawPanel = (name: string, panel: Panel) => string;

/**
 * The whole page: no script, nothing that is loaded from elsewhere, well-formed as XML too. Pure:
 * the same report gives the same bytes.
 */
export function renderPage(report: Report, draw: DrawPanel): string {
  const { title, version, verdict } = report;
  const page = markup`<!DOCTYPE html>
<html lang="en" xmlns="http://www.w3.org/1999/xhtml">
<head>
<meta charset="utf-8"/>
<meta name="viewport" content="width=device-width, initial-scale=1"/>
<meta name="color-scheme" content="light dark"/>
<meta name="generator" content="fardel ${version}"/>
<title>${verdict.partial === "" ? "" : "PARTIAL: "}${title}</title>
<style>${trusted(styleSheet())}</style>
</head>
<body>
<header>
${verdict.partial === "" ? undefined : markup`<p><strong class="stamp">PARTIAL</strong></p>\n`}<h1>${title}</h1>
<p class="soft">Report of a simulation: fardel simulate, version ${version}.</p>
</header>
<main>
${renderVerdict(verdict)}
${renderContents()}
${renderRun(report)}
${renderResults(report)}
${renderFigures(report, draw)}
${renderScenario(report)}
${renderWording()}
</main>
<footer><p class="soft">This page holds no date and loads nothing: the same scenario, seeds and version give the same page, byte for byte.</p></footer>
</body>
</html>
`;
  return page.text;
}

const SECTIONS = [
  ["run", "What was run"],
  ["results", "Results"],
  ["drawings", "Drawings"],
  ["scenario", "The scenario"],
  ["words", "Words and cautions"],
] as const;

function renderContents(): Markup {
  const items = SECTIONS.map(([id, title]) => markup`<li><a href="#${id}">${title}</a></li>`);
  return markup`<nav aria-label="Contents"><ul>${items}</ul></nav>`;
}

/** The mark says it too, for readers who see few colours. */
const MARKS: Readonly<Record<Verdict["kind"], string>> = {
  good: "✓ As it should be",
  failed: "✗ Runs failed",
  partial: "… Partial",
};

function renderVerdict({ kind, sentence, partial, failures, moreFailures }: Verdict): Markup {
  return markup`<section class="verdict ${kind}" id="verdict">
<h2>${MARKS[kind]}</h2>
<p>${sentence}</p>
${partial === "" ? undefined : markup`<p><strong>PARTIAL.</strong> ${partial}</p>\n`}${
  failures.length === 0 ? undefined : renderFailures(failures, moreFailures)
}</section>`;
}

function renderFailures(failures: Verdict["failures"], more: number): Markup {
  const table: DataTable = {
    caption: "Runs that failed, and the command that shows each again, datagram by datagram",
    head: [
      { title: "seed", isFigure: true },
      { title: "case", isFigure: true },
      { title: "why", isFigure: false },
      { title: "command", isFigure: false },
    ],
    rows: failures.map(({ seed, case: number, why, command }) => [
      String(seed),
      String(number),
      why,
      command,
    ]),
  };
  const rest = more > 0 ? markup`<p>${count(more)} more failed.</p>\n` : undefined;
  return markup`${renderTable(table)}\n${rest}`;
}

function renderRun({ facts, command }: Report): Markup {
  const list = facts.map(([name, words]) => markup`<dt>${name}</dt><dd>${words}</dd>\n`);
  return markup`<section>
<h2 id="run">What was run</h2>
<dl class="facts">
${list}<dt>Again</dt><dd><code>${command}</code></dd>
</dl>
</section>`;
}

function renderResults({ results, columns }: Report): Markup {
  if (results.rows.length === 0) {
    return markup`<section><h2 id="results">Results</h2><p>There are none.</p></section>`;
  }
  return markup`<section>
<h2 id="results">Results</h2>
${renderCut(results)}
<details>
<summary>Every setting and figure</summary>
${renderCut(columns)}
</details>
</section>`;
}

function renderCut(table: CutTable): Markup {
  if (table.rowsLeftOut === 0) return renderTable(table);
  return markup`${renderTable(table)}
<p>${count(table.rowsLeftOut)} more rows are left out; the option --csv writes all of them.</p>`;
}

/** In a box of its own that is scrolled, so that the page is not: by keys too. */
function renderTable({ caption, head, rows }: DataTable): Markup {
  const cellClass = (index: number) =>
    head[index]?.isFigure ? "figure" : isLong(index) ? "wrapped" : undefined;
  const isLong = (index: number) => rows.some((row) => (row[index]?.length ?? 0) > 30);
  const classes = head.map((_, index) => cellClass(index));
  const attribute = (index: number) =>
    classes[index] === undefined ? undefined : markup` class="${classes[index]}"`;
  const titles = head.map(({ title }, i) => markup`<th scope="col"${attribute(i)}>${title}</th>`);
  const body = rows.map((row) => {
    const filled = head.map((_, i) => row[i] ?? "");
    const cells = filled.map((cell, i) =>
      i === 0 && cell !== ""
        ? markup`<th scope="row"${attribute(i)}>${cell}</th>`
        : markup`<td${attribute(i)}>${cell}</td>`,
    );
    return markup`<tr>${cells}</tr>\n`;
  });
  return markup`<div class="box" role="region" aria-label="${caption}" tabindex="0"><table>
<caption>${caption}</caption>
<thead><tr>${titles}</tr></thead>
<tbody>
${body}</tbody>
</table></div>`;
}

function renderFigures({ drawn }: Report, draw: DrawPanel): Markup {
  const remarks = drawn.remarks.map((remark) => markup`<p>${remark}</p>\n`);
  const figures = drawn.figures.map((figure) => renderFigure(figure, draw));
  const none = figures.length === 0 ? markup`<p>There is nothing to draw.</p>\n` : undefined;
  return markup`<section>
<h2 id="drawings">Drawings</h2>
${none}${remarks}${figures}</section>`;
}

function renderFigure(figure: Figure, draw: DrawPanel): Markup {
  const { id, heading, caption, key, panels, omissions, table } = figure;
  const drawings = panels.map((panel, index) => {
    const title = panel.heading === "" ? undefined : markup`<p>${panel.heading}</p>\n`;
    const svg = trusted(draw(`${id}-${index + 1}`, panel));
    if (panel.size === undefined) return markup`<div class="panel">${title}${svg}</div>\n`;
    return markup`<div class="box wide" role="region" aria-label="${heading}" tabindex="0">${title}${svg}</div>\n`;
  });
  const isSmall = panels.length === 1 && panels[0]?.size === undefined;
  const left = omissions.map((omission) => markup`<p class="soft">${omission}</p>\n`);
  return markup`<h3 id="${id}">${heading}</h3>
<figure aria-labelledby="${id}">
<figcaption>${caption}</figcaption>
${renderKey(key)}${isSmall ? renderBeside(drawings, table) : renderAbove(drawings, table)}
${left}</figure>
`;
}

/** One drawing leaves room for its table. */
function renderBeside(drawings: readonly Markup[], table: DataTable): Markup {
  return markup`<div class="panels">
${drawings}${renderTable(table)}
</div>`;
}

function renderAbove(drawings: readonly Markup[], table: DataTable): Markup {
  return markup`<div class="panels">
${drawings}</div>
<details>
<summary>The same in figures</summary>
${renderTable(table)}
</details>`;
}

function renderKey(key: Figure["key"]): Markup | undefined {
  if (key.length === 0) return undefined;
  const items = key.map(({ style, label }) => {
    return markup`<li>${sample(lineStyle(style))}${label}</li>`;
  });
  return markup`<ul class="key">${items}</ul>\n`;
}

/** Marks of radius 1 about the origin, as the drawings have them. */
const SHAPES: Readonly<Record<Exclude<Mark, "none">, string>> = {
  circle: "M-1 0a1 1 0 1 0 2 0a1 1 0 1 0-2 0Z",
  rect: "M-1-1h2v2h-2Z",
  triangle: "M0-1L1 1H-1Z",
  diamond: "M0-1L1 0L0 1L-1 0Z",
};

/** A short piece of a line, for the key. */
function sample({ tone, dash, mark }: LineStyle): Markup {
  const color = TONES[tone].day;
  const dashes = dash.length > 0 ? markup` stroke-dasharray="${dash.join(" ")}"` : undefined;
  const shape =
    mark === "none"
      ? undefined
      : markup`<path d="${SHAPES[mark]}" transform="translate(24 8) scale(4.5)" fill="${color}"/>`;
  return markup`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 48 16" aria-hidden="true"><path d="M0 8H48" fill="none" stroke="${color}" stroke-width="2"${dashes}/>${shape}</svg>`;
}

function renderScenario({ scenario, source }: Report): Markup {
  const list = (items: readonly string[]) => items.map((item) => markup`<li>${item}</li>\n`);
  return markup`<section>
<h2 id="scenario">The scenario</h2>
<h3>The link</h3>
<ul>
${list(scenario.link)}</ul>
<h3>The boards</h3>
<ul>
${list(scenario.boards)}</ul>
<h3>The messages</h3>
<ul>
${list(scenario.messages)}</ul>
<h3>As it is written</h3>
<div class="box" role="region" aria-label="The scenario as it is written" tabindex="0"><pre><code>${source}</code></pre></div>
</section>`;
}

function renderWording(): Markup {
  const words = GLOSSARY.map(([word, sentence]) => markup`<dt>${word}</dt><dd>${sentence}</dd>\n`);
  const cautions = CAUTIONS.map((caution) => markup`<li>${caution}</li>\n`);
  return markup`<section>
<h2 id="words">Words and cautions</h2>
<ul>
${cautions}</ul>
<dl class="words">
${words}</dl>
</section>`;
}
