import type { Observation } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { AirLog } from "../simulation/air-log.js";
import type { Mail } from "../simulation/mail-book.js";
import { stationAddress } from "../simulation/stations.js";
import { airFigure, LANES_MAX } from "./air-figure.js";
import { drawPanel } from "./draw.js";
import { AIR_STYLES } from "./palette.js";
import { readXml } from "./xml-reader.js";

function observed(ms: number, from: number, fate: Observation["fate"]): Observation {
  const ends = { from: stationAddress(from), to: stationAddress(0) };
  const datagram = new Uint8Array(100);
  return { frame: 1, ...ends, datagram, fate, leftAtUs: ms * 1000, copy: false };
}

function mail(from: number, to: number, sentMs: number, deliveredMs?: number): Mail {
  const times = deliveredMs === undefined ? {} : { deliveredUs: deliveredMs * 1000 };
  return {
    number: 0,
    entry: 0,
    from,
    to,
    bytes: 8,
    way: "ordered",
    sentUs: sentMs * 1000,
    ...times,
  };
}

function sample(): AirLog {
  const log = new AirLog();
  log.sent(mail(0, 2, 0, 30));
  log.sent(mail(2, 0, 10));
  log.observed(observed(5, 0, "delivered"));
  log.observed(observed(12, 2, "lost"));
  log.observed(observed(20, 0, "corrupted"));
  return log;
}

describe("the drawing of a run", () => {
  it("has a lane for each station, the gateway on top", () => {
    const [panel] = airFigure(sample(), 2).panels;
    expect([0, 1, 2].map((place) => panel!.y.label(place))).toEqual([
      "board 2",
      "board 1",
      "gateway",
    ]);
    expect(panel?.x).toMatchObject({ min: 0, max: 30, name: expect.stringContaining(", ms") });
  });

  it("has strokes upwards for what arrived, and downwards for the rest", () => {
    const [panel] = airFigure(sample(), 2).panels;
    const line = (style: number) => panel!.lines.find((one) => one.style === style)!.points;
    const [arrived, lost] = [line(AIR_STYLES.arrived), line(AIR_STYLES.lost)];
    expect(arrived.map(({ x }) => x)).toEqual([5, 5, 5]);
    expect(arrived[1]!.y!).toBeGreaterThan(arrived[0]!.y!);
    expect(lost.map(({ x }) => x)).toEqual([12, 12, 12, 20, 20, 20]);
    expect(lost.map(({ y }) => y)).toEqual([0, -0.36, undefined, 2, 2 - 0.36, undefined]);
    expect(line(AIR_STYLES.sent).map(({ x, y }) => [x, y])).toEqual([
      ...[
        [0, 2],
        [0, undefined],
        [10, 0],
        [10, undefined],
      ],
    ]);
    expect(line(AIR_STYLES.delivered)[0]).toMatchObject({ x: 30, y: 0 });
  });

  it("counts what each station sent", () => {
    const { table, panels } = airFigure(sample(), 2);
    expect(table.rows).toEqual([
      ["gateway", "2", "1", "1", "200"],
      ["board 1", "0", "0", "0", "0"],
      ["board 2", "1", "0", "1", "100"],
    ]);
    expect(panels[0]?.words).toBe("3 datagrams of 300 bytes over 30 ms, of which 1 arrived.");
  });

  it("says what is left out", () => {
    const log = new AirLog();
    for (let n = 0; n < 5001; n++) log.observed(observed(n, 0, "delivered"));
    for (let n = 0; n < 501; n++) log.sent(mail(0, 1, n));
    const { omissions, table } = airFigure(log, 100);
    expect(omissions).toEqual([
      "Only the first 5,000 of 5,001 datagrams are drawn and counted here; --trace prints all.",
      "Only the first 500 of 501 messages are marked.",
      "Only 24 of 101 stations have a lane; --trace prints all.",
    ]);
    expect(table.rows).toHaveLength(LANES_MAX);
  });

  it("names each lane in the picture", () => {
    const [panel] = airFigure(sample(), 23).panels;
    const { text } = readXml(drawPanel("air", panel!));
    for (let board = 1; board <= 23; board++) expect(text).toContain(`board ${board}`);
  });
});
