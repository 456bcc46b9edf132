import { effect, signal } from "@preact/signals";
import { type Palette, readPalette } from "../picture/palette.js";
import { readKept, writeKept } from "./kept.js";

export const THEMES = ["auto", "light", "dark"] as const;
export type Theme = (typeof THEMES)[number];

export const theme = signal<Theme>(THEMES.find((name) => name === readKept("theme")) ?? "auto");

/** The colours of the pictures: read from the stylesheet, so that both agree. */
export const palette = signal<Palette>(readPalette());

/** Whether the person asked for less motion. */
export const wantsLessMotion = signal(matches("(prefers-reduced-motion: reduce)"));

/** Whether there is room for one column only. */
export const isNarrowPage = signal(matches("(max-width: 760px)"));

function matches(condition: string): boolean {
  return matchMedia(condition).matches;
}

export function watchTheme(): void {
  effect(() => {
    if (theme.value === "auto") delete document.documentElement.dataset.theme;
    else document.documentElement.dataset.theme = theme.value;
    writeKept("theme", theme.value);
    palette.value = readPalette();
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    palette.value = readPalette();
  });
  matchMedia("(max-width: 760px)").addEventListener("change", (event) => {
    isNarrowPage.value = event.matches;
  });
  matchMedia("(prefers-reduced-motion: reduce)").addEventListener("change", (event) => {
    wantsLessMotion.value = event.matches;
  });
}
