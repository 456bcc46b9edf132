/** The colours of theme.css that pictures need. */
export const COLOURS = [
  "paper",
  "panel",
  "line",
  "ink",
  "ink-soft",
  "accent",
  "focus",
  "data",
  "repeat",
  "ack",
  "opening",
  "command",
  "other",
  "lost",
  "good",
  "warn",
] as const;
export type Colour = (typeof COLOURS)[number];
export type Palette = Readonly<Record<Colour, string>> & { readonly font: string };

/** Reads them from the page as it looks now. */
export function readPalette(element: Element = document.documentElement): Palette {
  const style = getComputedStyle(element);
  const colour = (name: Colour): string => style.getPropertyValue(`--${name}`).trim() || "#808080";
  return {
    paper: colour("paper"),
    panel: colour("panel"),
    line: colour("line"),
    ink: colour("ink"),
    "ink-soft": colour("ink-soft"),
    accent: colour("accent"),
    focus: colour("focus"),
    data: colour("data"),
    repeat: colour("repeat"),
    ack: colour("ack"),
    opening: colour("opening"),
    command: colour("command"),
    other: colour("other"),
    lost: colour("lost"),
    good: colour("good"),
    warn: colour("warn"),
    // Single quotes: names of fonts end up in attributes of SVG files, which ECharts does not escape.
    font: style.getPropertyValue("--sans").trim().replaceAll('"', "'") || "sans-serif",
  };
}
