import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { Row } from "../benchmark.js";
import { COMMAND, deliveries, MESSAGE } from "./deliveries.js";
import { drawDelivery } from "./delivery-plot.js";
import { curvesFor, drawEfficiency, spread } from "./efficiency-plot.js";
import { GROUND } from "./look.js";
import { sequence } from "./sequence.js";
import { drawSequence } from "./sequence-plot.js";

async function rowsOf(benchmark: typeof deliveries): Promise<Row[]> {
  const rows: Row[] = [];
  for await (const row of benchmark.run({ seeds: 2, scale: 1 })) rows.push(row);
  return rows;
}

const LOSSES = [0, 0.1, 0.3];
const efficiencyRows: Row[] = LOSSES.map((loss) => ({
  bench: "efficiency",
  bytes: 131_072,
  window: 64,
  loss,
  efficiency: 0.95 - loss / 10,
}));
const byHandRows: Row[] = ["fardel", "stop-and-wait, 20 ms"].flatMap((protocol) =>
  LOSSES.map((loss) => ({
    bench: "by-hand",
    protocol,
    bytes: 131_072,
    loss,
    efficiency: 0.7 - loss,
  })),
);
const tcpRows: Row[] = ["TCP cubic", "fardel over UDP", "stop-and-wait over UDP"].flatMap(
  (protocol) =>
    LOSSES.map((loss) => ({
      bench: "kernel-tcp",
      protocol,
      bytes: 131_072,
      loss,
      efficiency: 0.5 - loss,
    })),
);
const deliveryRows: Row[] = [MESSAGE, COMMAND].flatMap((what) =>
  LOSSES.flatMap((loss) =>
    [0.5, 1].map((share) => ({
      bench: "deliveries",
      what,
      loss,
      runs: 2,
      share,
      us: 9000 + 1e5 * loss * share,
    })),
  ),
);
const sequenceRows: Row[] = ["opening", "first", "repeat", "question", "ack"].flatMap((kind, i) =>
  ["delivered", "lost"].map((fate) => ({
    bench: "sequence",
    kind,
    fate,
    fragment: i,
    us: 1000 * i,
  })),
);

const PLOTS = [
  { name: "efficiency", draw: () => drawEfficiency(efficiencyRows, byHandRows, tcpRows) },
  { name: "delivery", draw: () => drawDelivery(deliveryRows) },
  { name: "sequence", draw: () => drawSequence(sequenceRows) },
  { name: "efficiency", draw: () => drawEfficiency([], [], []) },
  { name: "delivery", draw: () => drawDelivery([]) },
  { name: "sequence", draw: () => drawSequence([]) },
];

describe("a plot", () => {
  it.each(PLOTS)("$name is the same bytes each time, on a ground of its own", ({ draw }) => {
    const svg = draw();
    expect(draw()).toBe(svg);
    expect(svg).toMatch(/^<svg [^>]+>\n<title>[^<]+<\/title>\n<rect [^>]+fill="([^"]+)"/);
    expect(svg).toContain(`fill="${GROUND}"`);
    // Fonts are the viewer's own; nothing is fetched; nothing that could not be computed is drawn.
    expect(
      svg.match(/font-family:[^;"]+/g)?.every((font) => font === "font-family:sans-serif"),
    ).toBe(true);
    expect(svg.replace(/xmlns(:xlink)?="[^"]+"/g, "")).not.toMatch(
      /https?:|NaN|Infinity|undefined/,
    );
    expect(svg).not.toMatch(/\bzr\d/);
    expect(svg).not.toMatch(/<style|<script|class=/);
  });
});

describe("efficiency against loss", () => {
  it("shows each protocol once, whichever benchmark it is from, and what was in real time beside it", () => {
    const curves = curvesFor(131_072, efficiencyRows, byHandRows, tcpRows);
    expect(curves.map(({ label }) => label)).toEqual([
      "Fardel, window 64",
      "stop-and-wait, 20 ms",
      "TCP cubic",
      "Fardel over UDP",
    ]);
    expect(curves[2]?.points).toEqual([
      [0, 0.5],
      [0.1, 0.4],
      [0.3, 0.2],
    ]);
    expect(curvesFor(16_384, efficiencyRows, byHandRows, tcpRows)).toEqual([]);
  });

  it("names curves where they end, and its axes with their units", () => {
    const svg = drawEfficiency(efficiencyRows, byHandRows, tcpRows);
    for (const text of [
      "Fardel, window 64",
      "stop-and-wait, 20 ms",
      "TCP cubic",
      "capacity of the channel",
      "Loss of datagrams, each way, %",
    ]) {
      expect(svg).toContain(`>${text}</text>`);
    }
  });

  it("moves names apart that would be on top of each other", () => {
    expect(spread([10, 12, 100], 17)).toEqual([2.5, 19.5, 100]);
    fc.assert(
      fc.property(fc.array(fc.integer({ min: 0, max: 336 }), { maxLength: 8 }), (places) => {
        const moved = spread(places, 17);
        const order = places.map((_, i) => i).sort((i, j) => places[i]! - places[j]! || i - j);
        for (let k = 1; k < order.length; k++) {
          expect(moved[order[k]!]! - moved[order[k - 1]!]!).toBeGreaterThan(16.5);
        }
      }),
    );
  });
});

describe("delivery times", () => {
  it("are measured as curves that rise to 1", async () => {
    const rows = await rowsOf(deliveries);
    for (const what of [MESSAGE, COMMAND]) {
      for (const loss of LOSSES) {
        const steps = rows.filter((row) => row.what === what && row.loss === loss);
        expect(steps.map(({ share }) => share)).toEqual(steps.map((_, i) => (i + 1) / 50));
        const times = steps.map(({ us }) => Number(us));
        expect(times).toEqual([...times].sort((one, other) => one - other));
        // 68 fragments take 197 ms; a command waits for what the link holds already.
        expect(times[0]).toBeGreaterThan(what === MESSAGE ? 190_000 : 1000);
        // Two full datagrams in front, one ack, and the command itself: 9 ms.
        if (loss === 0) expect(times.at(-1)).toBeLessThan(what === MESSAGE ? 210_000 : 10_000);
      }
    }
  });

  it("are drawn with a name for each loss", () => {
    const svg = drawDelivery(deliveryRows);
    for (const text of ["no loss", "loss 10 %", "loss 30 %", "Share delivered, %"]) {
      expect(svg).toContain(`>${text}</text>`);
    }
  });
});

describe("one transfer", () => {
  it("is told fragment by fragment: each sent first, then again only if it was lost", async () => {
    const rows = await rowsOf(sequence);
    const of = (kind: string) => rows.filter((row) => row.kind === kind);
    expect(of("first").map(({ fragment }) => fragment)).toEqual(
      Array.from({ length: 68 }, (_, i) => i),
    );
    expect(of("opening").length).toBeGreaterThan(0);
    const arrived = new Set<unknown>();
    for (const { kind, fate, fragment } of rows) {
      if (kind === "ack" && fate === "delivered") {
        for (let below = 0; below < Number(fragment); below++) expect(arrived).toContain(below);
      }
      if (kind !== "first" && kind !== "repeat") continue;
      if (kind === "repeat") expect(arrived).not.toContain(fragment);
      if (fate === "delivered") arrived.add(fragment);
    }
    expect(arrived.size).toBe(68);
    expect(of("repeat").length).toBeGreaterThan(5);
    expect(of("ack").at(-1)).toMatchObject({ fragment: 68, fate: "delivered" });
  });

  it("is drawn with a mark for each kind of datagram", () => {
    const svg = drawSequence(sequenceRows);
    for (const text of ["first send", "repeat", "question without data", "Fragment number"]) {
      expect(svg).toContain(`>${text}</text>`);
    }
  });
});
