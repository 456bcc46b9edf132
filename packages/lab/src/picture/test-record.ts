import { DEFAULT_SETTINGS } from "../run/defaults.js";
import type { RunRecord } from "../run/record.js";
import { runLab } from "../run/run-lab.js";
import type { LabSettings } from "../run/settings.js";
import { COLOURS, type Palette } from "./palette.js";

/** A run for a test of pictures. */
export function testRun(settings: Partial<LabSettings> = {}): Promise<RunRecord> {
  return runLab({ ...DEFAULT_SETTINGS, ...settings });
}

/** Colours by whose names a test can tell what was drawn. */
export const TEST_PALETTE: Palette = {
  ...(Object.fromEntries(COLOURS.map((name) => [name, name])) as Record<
    (typeof COLOURS)[number],
    string
  >),
  font: "sans-serif",
};
