import { type ReportInput, reportOf } from "./model.js";
import { renderPage } from "./page.js";

/**
 * The report of a sweep as one HTML page. The library that draws is loaded now, not when the
 * program starts.
 */
export async function renderReport(input: ReportInput): Promise<string> {
  const { drawPanel } = await import("./draw.js");
  return renderPage(reportOf(input), drawPanel);
}
