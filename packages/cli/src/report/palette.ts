/**
 * The look of the lab's pages (packages/lab/src/theme.css): warm paper and ink by day, deep
 * blue-green by night. A test holds the two together, and measures the contrast.
 */

/** A colour by day and by night. */
export interface Tone {
  readonly day: string;
  readonly night: string;
}

export const TONES = {
  paper: { day: "#f4eedf", night: "#0e1e21" },
  panel: { day: "#fcf8ee", night: "#15282b" },
  line: { day: "#cfc4ac", night: "#35524f" },
  ink: { day: "#22302a", night: "#e9eee2" },
  "ink-soft": { day: "#56604f", night: "#a9bab0" },
  accent: { day: "#2a6140", night: "#8ecb9c" },
  focus: { day: "#124f85", night: "#f0c25c" },
  data: { day: "#2f7048", night: "#74bf8a" },
  repeat: { day: "#95600a", night: "#e2ab52" },
  ack: { day: "#2a6f95", night: "#7fbfdc" },
  opening: { day: "#6a4a94", night: "#bd9fe6" },
  command: { day: "#a02c63", night: "#ee8fb6" },
  other: { day: "#6b6a5c", night: "#a5a794" },
  lost: { day: "#b03a22", night: "#f0866a" },
  good: { day: "#2a6140", night: "#8ecb9c" },
  warn: { day: "#855405", night: "#e8b766" },
} as const satisfies Record<string, Tone>;

export type ToneName = keyof typeof TONES;

/** The marks that a drawing puts on points. */
export type Mark = "none" | "circle" | "rect" | "triangle" | "diamond";

/** How one of several lines is drawn: told apart by dashes and marks as well as by colour. */
export interface LineStyle {
  readonly tone: ToneName;
  /** Lengths of dashes and gaps, pixels; empty: solid. */
  readonly dash: readonly number[];
  readonly mark: Mark;
}

/** As many lines as one panel can have. */
export const LINE_STYLES: readonly [LineStyle, ...LineStyle[]] = [
  { tone: "data", dash: [], mark: "circle" },
  { tone: "ack", dash: [8, 4], mark: "rect" },
  { tone: "command", dash: [2, 3], mark: "triangle" },
  { tone: "repeat", dash: [10, 3, 2, 3], mark: "diamond" },
];

export const LINES_MAX = LINE_STYLES.length;

/** Styles of the drawing of one run, behind those of {@link LINE_STYLES}. */
export const AIR_STYLES = {
  arrived: LINES_MAX,
  lost: LINES_MAX + 1,
  sent: LINES_MAX + 2,
  delivered: LINES_MAX + 3,
} as const;

const ALL_STYLES: readonly LineStyle[] = [
  ...LINE_STYLES,
  { tone: "data", dash: [], mark: "none" },
  { tone: "lost", dash: [], mark: "none" },
  { tone: "opening", dash: [], mark: "triangle" },
  { tone: "command", dash: [], mark: "diamond" },
];

/** The style of a line by its number. */
export function lineStyle(style: number): LineStyle {
  return ALL_STYLES[style] ?? LINE_STYLES[0];
}
