import { counted, bytes as inBytes, percent } from "../format.js";
import { type Column, tableLines } from "../render.js";
import type { CheckedFigure, CheckResult } from "./check.js";
import { type EstimateQuestion, FIGURE_TITLES, showFigure } from "./figures.js";

/** The figures as text. All pure. */

/** Lines: what was asked, the figures, and how each is worked out. */
export function renderEstimate(
  question: EstimateQuestion,
  figures: readonly CheckedFigure[],
  check?: CheckResult & { readonly tolerance: number },
): string[] {
  return [
    ...title(question),
    "",
    ...table(figures, check !== undefined),
    ...(check ? ["", ...renderCheck(check)] : []),
    "",
    "Where the figures come from:",
    ...figures.flatMap(({ name, formula, source }) => [
      `  ${FIGURE_TITLES[name]}: ${formula}.`,
      `      ${source}`,
    ]),
  ];
}

function title({ bytes, preset, mtuBytes, loss, window }: EstimateQuestion): string[] {
  return [
    `${inBytes(bytes)} from a gateway to a board never spoken to before.`,
    `Link ${preset}: datagrams of ${mtuBytes} bytes, ${percent(loss)} lost each way; window ${window}.`,
  ];
}

function table(figures: readonly CheckedFigure[], hasCheck: boolean): string[] {
  const columns: Column[] = [
    { title: "figure" },
    { title: "estimate", align: "right" },
    ...(hasCheck
      ? (["simulated", "difference", "chance"] as const).map(
          (each): Column => ({ title: each, align: "right" }),
        )
      : []),
  ];
  const rows = figures.map(({ name, value, simulated, difference, chance }) => [
    FIGURE_TITLES[name],
    showFigure(name, value),
    ...(hasCheck && simulated !== undefined
      ? [
          showFigure(name, simulated),
          signed(difference),
          chance === undefined ? "" : `± ${percent(chance)}`,
        ]
      : []),
  ]);
  return tableLines(columns, rows);
}

function renderCheck(check: CheckResult & { readonly tolerance: number }): string[] {
  const { runs, failedRuns, lateRuns, lateRunsMax, tolerance, isWithin, isPartial } = check;
  const lines = [
    `Simulated: ${counted(runs, "run")}, seeds 1 to ${runs}${isPartial ? " (PARTIAL: ended by Ctrl-C)" : ""}. Difference: estimate ÷ mean of the runs − 1. Chance: three standard errors of that mean.`,
    `Later than the bound: ${counted(lateRuns, "run")}; up to ${lateRunsMax} are accepted.`,
  ];
  if (failedRuns > 0) lines.push(`${counted(failedRuns, "run")} failed.`);
  const verdict = isWithin
    ? `The estimate holds: every difference is at most ${percent(tolerance)} beyond chance.`
    : `The estimate does NOT hold: a difference is more than ${percent(tolerance)} beyond chance, a run failed, or too many are late. Trust the simulation.`;
  return [...lines, verdict];
}

function signed(share: number | undefined): string {
  if (share === undefined) return "";
  const text = (share * 100).toFixed(1);
  return `${Number(text) > 0 ? "+" : ""}${Number(text) === 0 ? "0.0" : text} %`;
}
