/** One line of a chart. */
export interface CurveLine {
  readonly name: string;
  /** For its look: a class of live.css, which gives it a colour and a dash. */
  readonly look: "one" | "other";
  /** `undefined`: nothing is known there, and the line has a gap. */
  readonly values: readonly (number | undefined)[];
}

export interface CurveProps {
  readonly title: string;
  /** Of each value, microseconds. */
  readonly timesUs: readonly number[];
  readonly lines: readonly CurveLine[];
  /** What the chart reaches from and to at least. */
  readonly low: number;
  readonly high: number;
  readonly format: (value: number) => string;
}

const WIDTH = 300;
const HEIGHT = 90;
/** What the whole width can stand for, microseconds; the last is all that is remembered. */
const SPANS: readonly (readonly [us: number, words: string])[] = [
  [30e6, "30 s"],
  [60e6, "1 min"],
  [120e6, "2 min"],
  [300e6, "5 min"],
];
const LONGEST = SPANS[SPANS.length - 1] ?? [300e6, "5 min"];

/** A small chart of the last minutes. What it shows is said in words, too. */
export function Curve({ title, timesUs, lines, low, high, format }: CurveProps) {
  const known = lines.flatMap(({ values }) => values.filter((value) => value !== undefined));
  const bottom = Math.min(low, ...known);
  const top = Math.max(high, ...known);
  const endUs = timesUs.at(-1) ?? 0;
  const passedUs = endUs - (timesUs[0] ?? endUs);
  const [spanUs, span] = SPANS.find(([us]) => us >= passedUs) ?? LONGEST;
  const x = (atUs: number) => round(WIDTH * (1 - (endUs - atUs) / spanUs));
  const y = (value: number) => round(HEIGHT * (1 - (value - bottom) / (top - bottom || 1)));
  return (
    <figure class="live-curve">
      <figcaption>
        <b>{title}</b>
        {lines.map((line) => (
          <span key={line.name} class={`live-now live-line-${line.look}`}>
            {lines.length > 1 && (
              <>
                <svg viewBox="0 0 22 6" aria-hidden="true">
                  <path d="M0 3H22" />
                </svg>
                {line.name}{" "}
              </>
            )}
            {latest(line.values, format)}
          </span>
        ))}
      </figcaption>
      <div class="live-plot">
        <span class="live-scale">
          <span>{format(top)}</span>
          <span>{format(bottom)}</span>
        </span>
        <svg
          viewBox={`0 -2 ${WIDTH} ${HEIGHT + 4}`}
          preserveAspectRatio="none"
          role="img"
          aria-label={describe(title, lines, format)}
        >
          {lines.map(({ name, look, values }) => (
            <path key={name} class={`live-line-${look}`} d={pathOf(values, timesUs, x, y)} />
          ))}
        </svg>
        <span class="live-when">
          <span>{span} ago</span>
          <span>now</span>
        </span>
      </div>
    </figure>
  );
}

function latest(values: readonly (number | undefined)[], format: (value: number) => string) {
  const value = values.at(-1);
  return value === undefined ? "none now" : format(value);
}

/** For whoever cannot see it: where it is, and between what it was. */
function describe(
  title: string,
  lines: readonly CurveLine[],
  format: (value: number) => string,
): string {
  const parts = lines.map(({ name, values }) => {
    const known = values.filter((value) => value !== undefined);
    if (known.length === 0) return `${name}: nothing known`;
    const [low, high] = [Math.min(...known), Math.max(...known)];
    return `${name}: now ${latest(values, format)}, between ${format(low)} and ${format(high)}`;
  });
  return `${title} in the last minutes. ${parts.join(". ")}.`;
}

function pathOf(
  values: readonly (number | undefined)[],
  timesUs: readonly number[],
  x: (atUs: number) => number,
  y: (value: number) => number,
): string {
  let path = "";
  let isDrawing = false;
  for (const [index, value] of values.entries()) {
    const atUs = timesUs[index];
    if (value === undefined || atUs === undefined) {
      isDrawing = false;
      continue;
    }
    // A point by itself is drawn as a short line, or it would not be seen.
    path += isDrawing ? `L${x(atUs)} ${y(value)}` : `M${x(atUs)} ${y(value)}h0.01`;
    isDrawing = true;
  }
  return path;
}

function round(value: number): number {
  return Math.round(value * 100) / 100;
}
