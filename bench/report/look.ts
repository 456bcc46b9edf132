import * as echarts from "echarts";

/**
 * Colours of all plots, on a ground of their own so that they read on light and dark pages. Told apart by
 * lightness as well as by hue, for readers who see few hues, and by dashes and shapes besides.
 */
export const INK = "#1c2530";
export const QUIET_INK = "#5a6470";
export const GROUND = "#fbf9f4";
export const GRID = "#e3ded2";
export const BOUND = "#8d8778";
export const BLUES = ["#0b3c6f", "#2f7fb8"] as const;
export const TEAL = "#1f827c";
export const RUST = "#c24a1b";
export const OCHRE = "#a8740c";
export const PLUM = "#7a2f6b";
export const MOSS = "#4f7d2c";

/** No font is named: each viewer has one of its own. */
const FONT = "sans-serif";

export interface Size {
  readonly width: number;
  readonly height: number;
}

/**
 * Draws without a browser. The same options give the same bytes, whatever was drawn before.
 * @param title - says in one sentence what is to be seen, for those who do not see it
 */
export function drawSvg(
  name: string,
  title: string,
  size: Size,
  option: echarts.EChartsCoreOption,
): string {
  const chart = echarts.init(null, null, { renderer: "svg", ssr: true, ...size });
  try {
    chart.setOption({
      animation: false,
      backgroundColor: GROUND,
      textStyle: { fontFamily: FONT, color: INK, fontSize: 13 },
      ...option,
    });
    return tidied(chart.renderToSVGString(), name, title);
  } finally {
    chart.dispose();
  }
}

/** What only serves a mouse, and is numbered across all plots that a process draws, is left out. */
function tidied(svg: string, name: string, title: string): string {
  const still = svg
    .replaceAll(/<style ?>.*?<\/style>\n*/gs, "")
    .replaceAll(/ (?:class|pointer-events)="[^"]*"/g, "")
    .replaceAll(/<path [^>]*fill-opacity="0" [^>]*stroke-width="0"[^>]*><\/path>\n*/g, "")
    .replace(/^<svg [^>]*>\n/, (start) => `${start}<title>${title}</title>\n`)
    .replaceAll(/\bzr\d+-/g, `${name}-`);
  return `${still.trim()}\n`;
}

/** A title of the whole picture, in words that say what is to be seen. */
export function titleOf(text: string, subtext: string) {
  return {
    text,
    subtext,
    left: 16,
    top: 10,
    itemGap: 6,
    textStyle: { fontSize: 17, fontWeight: "bold", color: INK, fontFamily: FONT },
    subtextStyle: { fontSize: 13, color: QUIET_INK, fontFamily: FONT, lineHeight: 17 },
  };
}

/** What both axes of every plot have in common. */
export function axisOf(name: string) {
  return {
    name,
    nameLocation: "middle",
    nameTextStyle: { color: INK, fontSize: 13 },
    axisLabel: { color: QUIET_INK, fontSize: 12 },
    axisLine: { show: true, lineStyle: { color: QUIET_INK } },
    axisTick: { show: true, lineStyle: { color: QUIET_INK } },
    splitLine: { show: true, lineStyle: { color: GRID } },
  };
}
