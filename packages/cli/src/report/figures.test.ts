import { describe, expect, it } from "vitest";
import type { Figure } from "./figure.js";
import { figuresOf, MESSAGES_DRAWN_MAX } from "./figures.js";
import { type MadeSweep, madeSummaries } from "./made-sweep.js";
import type { Panel } from "./panel.js";

const SCENARIO = {
  link: { loss: [0, 0.1, 0.2], delayMs: [0, 5] },
  messages: [
    { name: "table", from: "gateway", bytes: 4000 },
    { name: "temperature", from: "board", bytes: 24, way: "latest" },
  ],
};

function drawn(made: Partial<MadeSweep> = {}) {
  const { figures, remarks } = figuresOf(madeSummaries({ scenario: SCENARIO, ...made }));
  const figure = (id: string): Figure => {
    const found = figures.find((one) => one.id === id);
    if (found === undefined) throw new Error(`There is no figure ${id}.`);
    return found;
  };
  return { figures, remarks, figure, ids: figures.map(({ id }) => id) };
}

/** Whether all that is drawn lies inside of the axes. */
function expectInside({ x, y, lines }: Panel): void {
  for (const point of lines.flatMap(({ points }) => points)) {
    expect(point.x).toBeGreaterThanOrEqual(x.min);
    expect(point.x).toBeLessThanOrEqual(x.max);
    for (const level of [point.low, point.y, point.high]) {
      if (level === undefined) continue;
      expect(level).toBeGreaterThanOrEqual(y.min);
      expect(level).toBeLessThanOrEqual(y.max);
    }
  }
}

describe("the figures of a sweep", () => {
  it("are times and their spread for each message, then the channel", () => {
    const { ids, remarks, figures } = drawn();
    expect(ids).toEqual(["time-1", "spread-1", "time-2", "spread-2", "efficiency", "airtime"]);
    expect(remarks).toEqual(["Every message that was sent was delivered, in every combination."]);
    for (const { panels } of figures) for (const panel of panels) expectInside(panel);
    for (const { key, panels } of figures) {
      const styles = new Set(panels.flatMap(({ lines }) => lines.map(({ style }) => style)));
      expect([...styles].sort()).toEqual(key.map(({ style }) => style));
    }
  });

  it("draw the median with the 5th and 95th percentile, in the unit of the axis", () => {
    const { panels, key, table } = drawn().figure("time-1");
    expect(key.map(({ label }) => label)).toEqual(["delayMs 0", "delayMs 5"]);
    // Case 3: 1st of 20 runs after 3,010 µs, 10th after 3,100 µs, 19th after 3,190 µs.
    expect(panels[0]?.lines[0]?.points[1]).toEqual({
      x: 1,
      y: 3.1,
      low: 3.01,
      high: 3.19,
      isMarked: true,
    });
    expect(panels[0]?.y.name).toBe("Delivery time, ms");
    expect(panels[0]?.x.label(2)).toBe("0.2");
    expect(panels[0]?.words).toContain("delayMs 0: 1.1 ms at loss 0, 5.1 ms at loss 0.2.");
    expect(table.head.map(({ title }) => title)).toEqual([
      ...["case", "delayMs", "loss", "P5 ms", "median ms", "P95 ms"],
    ]);
    expect(table.rows[1]).toEqual(["3", "0", "0.1", "3.01", "3.10", "3.19"]);
  });

  it("draw how times are spread: rising from 0 to the share that was delivered", () => {
    const entry = (_: number, run: number) =>
      run <= 15 ? { timesUs: [run * 1000] } : { delivered: 0, failed: 1, timesUs: [] };
    const { figure } = drawn({ entry });
    for (const { lines, x } of figure("spread-1").panels) {
      expect(lines).toHaveLength(3);
      for (const { points } of lines) {
        expect(points[0]).toMatchObject({ x: 1, y: 0 });
        expect(points.at(-1)).toMatchObject({ x: x.max, y: 75 });
        expect(points.filter(({ isMarked }) => isMarked)).toEqual([
          { x: 8, y: 37.5, isMarked: true },
        ]);
        const heights = points.map(({ y = 0 }) => y);
        expect(heights).toEqual([...heights].sort((one, other) => one - other));
      }
    }
    expect(figure("spread-1").panels[0]?.words).toContain(
      "loss 0.1: from 1 ms to 15 ms, half of them within 8 ms; 75 % delivered.",
    );
  });

  it("draw the delivered share of those messages that did not all arrive", () => {
    const entry = (index: number, run: number) =>
      index === 1 && run % 2 === 0 ? { delivered: 0, replaced: 1, timesUs: [] } : {};
    const { ids, remarks, figure } = drawn({ entry });
    expect(ids).toContain("share-2");
    expect(ids).not.toContain("share-1");
    expect(remarks).toEqual([]);
    const { panels, table } = figure("share-2");
    expect(panels[0]?.y.max).toBe(100);
    expect(panels[0]?.lines[0]?.points.map(({ y }) => y)).toEqual([50, 50, 50]);
    expect(table.rows[0]?.slice(-5)).toEqual(["50.0 %", "20", "10", "10", "0"]);
  });

  it("draw efficiency against the limit, and say what both are", () => {
    const { panels, table } = drawn().figure("efficiency");
    expect(panels[0]).toMatchObject({ level: { y: 1 }, y: { min: 0, max: 1 } });
    // Half of the reference channel's 86,326 bytes per second.
    expect(table.rows[0]?.slice(-3)).toEqual(["0.500", "43.2 kB/s", "86.3 kB/s"]);
  });

  it("use powers of ten where small times would vanish", () => {
    const entry = (_: number, run: number, number: number) => ({ timesUs: [run * 10 ** number] });
    const { panels } = drawn({ entry }).figure("time-1");
    expect(panels[0]?.y).toMatchObject({
      scale: "log",
      name: expect.stringContaining("logarithmic"),
    });
    for (const panel of panels) expectInside(panel);
  });

  it("leave a gap where nothing was delivered, and draw no spread of nothing", () => {
    const entry = (index: number, _: number, number: number) =>
      index === 1 || number === 1 ? { delivered: 0, failed: 1, timesUs: [] } : {};
    const { ids, figure } = drawn({ entry });
    expect(ids).toEqual([
      ...["time-1", "spread-1", "time-2", "share-1", "share-2", "efficiency", "airtime"],
    ]);
    expect(figure("time-1").panels[0]?.lines[0]?.points[0]?.y).toBeUndefined();
    expect(figure("time-1").table.rows[0]).toEqual(["1", "0", "0", "–", "–", "–"]);
    expect(figure("time-2").panels[0]?.words).toContain("nothing was measured");
  });

  it("say what is left out", () => {
    const messages = Array.from({ length: 6 }, () => ({ from: "board", bytes: 10 }));
    const link = { loss: [0, 0.1, 0.2, 0.3, 0.4, 0.5], delayMs: [0, 1, 2, 3, 4] };
    const made = { scenario: { link, window: [1, 2, 3, 4, 5], messages } };
    const { ids, remarks, figure } = drawn(made);
    expect(ids.filter((id) => id.startsWith("time-"))).toHaveLength(MESSAGES_DRAWN_MAX);
    expect(remarks).toContain(
      "The times of the first 4 of 6 messages are drawn; the table of results has the rest.",
    );
    expect(figure("time-1").omissions).toEqual([
      "Lines are drawn for 4 of 5 values of delayMs; the table of results has the rest.",
    ]);
    expect(figure("spread-1").omissions).toEqual([
      "Only 6 of 25 panels are drawn; the table of results has the rest.",
      "Curves are drawn for 4 of 6 values of loss; the table of results has the rest.",
    ]);
  });

  it("put the messages side by side where nothing is swept", () => {
    const scenario = { messages: SCENARIO.messages };
    const { ids, figure } = drawn({ scenario });
    expect(ids).toEqual(["time", "spread-1", "spread-2"]);
    const [panel] = figure("time").panels;
    expect(panel?.x.label(1)).toBe("temperature");
    expect(panel?.lines.map(({ points }) => [points[0]?.x, points[0]?.y])).toEqual([
      [0, 1.1],
      [1, 2.1],
    ]);
  });

  it("of nothing are none", () => {
    expect(figuresOf([])).toEqual({ figures: [], remarks: [] });
  });
});
