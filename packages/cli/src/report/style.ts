import { TONES, type ToneName } from "./palette.js";

const NAMES = Object.keys(TONES) as ToneName[];

/**
 * The style sheet of the page. Drawings carry their colours of the day themselves, for viewers that
 * know no style sheets; by night each colour is turned into its fellow. Paper is always by day.
 */
export function styleSheet(): string {
  const tones = (time: "day" | "night") =>
    NAMES.map((name) => `--${name}: ${TONES[name][time]};`).join(" ");
  const turned = [...new Set(NAMES.map((name) => `${TONES[name].day} ${TONES[name].night}`))].map(
    (pair) => {
      const [day = "", night = ""] = pair.split(" ");
      return `svg [fill="${day}"] { fill: ${night}; } svg [stroke="${day}"] { stroke: ${night}; }`;
    },
  );
  return `
:root { color-scheme: light; ${tones("day")} }
@media screen and (prefers-color-scheme: dark) {
:root { color-scheme: dark; ${tones("night")} }
${turned.join("\n")}
}
${LAYOUT}
@media print {${PRINT}}
`;
}

const LAYOUT = `
* { box-sizing: border-box; }
html { background: var(--paper); color: var(--ink); }
body { max-width: 66rem; margin: 0 auto; padding: 1.5rem 1rem 4rem; line-height: 1.5;
  font-family: system-ui, -apple-system, "Segoe UI", "Liberation Sans", Arial, sans-serif; }
h1, h2, h3 { font-family: "Iowan Old Style", "Palatino Linotype", Palatino, Georgia, serif; line-height: 1.2; }
h1 { margin: 0; font-size: 1.9rem; overflow-wrap: anywhere; }
h2 { margin: 2.75rem 0 0.75rem; padding-bottom: 0.3rem; border-bottom: 2px solid var(--line); font-size: 1.4rem; }
h3 { margin: 2rem 0 0.25rem; font-size: 1.12rem; overflow-wrap: anywhere; }
p, ul, dl { margin: 0.5rem 0; }
a { color: var(--accent); }
a:focus-visible, summary:focus-visible, [tabindex]:focus-visible { outline: 3px solid var(--focus); outline-offset: 2px; }
code, pre { font-family: ui-monospace, "DejaVu Sans Mono", "Liberation Mono", Menlo, Consolas, monospace; font-size: 0.86rem; }
code { overflow-wrap: anywhere; }
pre { margin: 0; padding: 0.75rem 1rem; }
nav ul { display: flex; flex-wrap: wrap; gap: 0.25rem 1.25rem; padding: 0; list-style: none; }
.soft { color: var(--ink-soft); }
.box { overflow-x: auto; margin: 0.5rem 0; background: var(--panel); border: 1px solid var(--line); border-radius: 4px; }
.verdict { margin: 1.25rem 0; padding: 0.75rem 1rem; background: var(--panel); border: 2px solid; border-left-width: 0.75rem; border-radius: 4px; }
.verdict h2 { margin: 0; padding: 0; border: 0; }
.verdict .box { max-height: 24rem; overflow: auto; }
.good { border-color: var(--good); }
.good h2 { color: var(--good); }
.failed { border-color: var(--lost); }
.failed h2 { color: var(--lost); }
.partial { border-color: var(--warn); }
.partial h2 { color: var(--warn); }
.stamp { display: inline-block; padding: 0 0.4rem; border: 2px solid var(--warn); border-radius: 4px; color: var(--warn); font-weight: bold; }
dl.facts { display: grid; grid-template-columns: max-content 1fr; gap: 0.25rem 1rem; }
dl.facts dt, dl.words dt { font-weight: bold; }
dl.facts dd, dl.words dd { margin: 0; overflow-wrap: anywhere; }
dl.words dt { margin-top: 0.5rem; }
table { border-collapse: collapse; font-size: 0.86rem; font-variant-numeric: tabular-nums; }
caption { padding: 0.5rem 0.75rem; text-align: left; color: var(--ink-soft); }
th, td { padding: 0.25rem 0.65rem; text-align: left; vertical-align: top; white-space: nowrap; }
thead th { border-bottom: 2px solid var(--line); vertical-align: bottom; }
tbody th { font-weight: normal; }
tbody tr + tr > * { border-top: 1px solid var(--line); }
.figure { text-align: right; }
.wrapped { white-space: normal; min-width: 12rem; overflow-wrap: anywhere; }
figure { margin: 0 0 1.5rem; }
figcaption { max-width: 54rem; }
.key { display: flex; flex-wrap: wrap; gap: 0.25rem 1.25rem; padding: 0; list-style: none; font-size: 0.9rem; }
.key li { display: flex; align-items: center; }
.key svg { flex: none; width: 3rem; height: 1rem; margin-right: 0.4rem; }
.panels { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(100%, 26rem), 1fr)); gap: 0.75rem; margin: 0.75rem 0; }
.panel { max-width: 30rem; padding: 0.5rem 0.5rem 0; background: var(--panel); border: 1px solid var(--line); border-radius: 4px; }
.panel p { margin: 0 0.5rem; font-size: 0.9rem; font-weight: bold; overflow-wrap: anywhere; }
.panels > .box { align-self: start; min-width: 0; margin: 0; }
.panels > .wide { grid-column: 1 / -1; }
.wide .drawing { min-width: 44rem; }
.drawing { display: block; width: 100%; height: auto; }
summary { cursor: pointer; color: var(--accent); }
footer { margin-top: 3rem; padding-top: 0.75rem; border-top: 1px solid var(--line); }
@media (max-width: 32rem) {
  body { padding: 1rem 0.75rem 3rem; }
  h1 { font-size: 1.45rem; }
  dl.facts { grid-template-columns: 1fr; gap: 0; }
  dl.facts dt { margin-top: 0.4rem; }
}`;

const PRINT = `
html { background: none; }
body { max-width: none; padding: 0; font-size: 10pt; }
nav { display: none; }
h2, h3, figcaption { break-after: avoid; }
.panel, tr, .verdict, li { break-inside: avoid; }
.panels { grid-template-columns: 1fr 1fr; }
.wide .drawing { min-width: 0; }
.box, .verdict .box { max-height: none; overflow: visible; background: none; border: 0; }
table { font-size: 7pt; }
th, td { padding: 0.1rem 0.35rem; white-space: normal; overflow-wrap: anywhere; }
pre { padding: 0; white-space: pre-wrap; overflow-wrap: anywhere; }
details { display: none; }
`;
