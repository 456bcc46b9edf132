/** What a drawing shows, without how: plain data. */

/** One of the small drawings of a figure. */
export interface Panel {
  /** Above the drawing; empty if the figure has only this one. */
  readonly heading: string;
  /** For those who do not see it: what is drawn, and what comes of it. */
  readonly words: string;
  readonly x: Axis;
  readonly y: Axis;
  readonly lines: readonly Line[];
  /** Pixels; left out: that of small drawings. */
  readonly size?: { readonly width: number; readonly height: number };
  /** A level that is marked from side to side, as the channel's limit. */
  readonly level?: { readonly y: number; readonly label: string };
}

export interface Axis {
  readonly name: string;
  /** `places`: counts places from 0, each with a label. */
  readonly scale: Scale;
  readonly min: number;
  readonly max: number;
  /** How a number is written; of places, what stands at each. */
  readonly label: (value: number) => string;
  /** Between two numbers that are written; left out: chosen. */
  readonly step?: number;
}

export type Scale = "places" | "even" | "log";

export interface Line {
  /** Number of a style of the palette; the key of the figure names them. */
  readonly style: number;
  /** `stairs`: keeps its height until the next point. */
  readonly form: "straight" | "stairs";
  /** Points without `y` leave a gap. */
  readonly points: readonly Point[];
}

export interface Point {
  readonly x: number;
  readonly y: number | undefined;
  /** Ends of the whisker through the point. */
  readonly low?: number | undefined;
  readonly high?: number | undefined;
  /** Whether a mark stands there. */
  readonly isMarked: boolean;
}
