import { count, counted, bytes as inBytes } from "../format.js";
import type { AirDatagram, AirLog } from "../simulation/air-log.js";
import { stationName } from "../simulation/stations.js";
import type { Figure } from "./figure.js";
import { evenScale, plain, timeUnit } from "./numbers.js";
import { AIR_STYLES } from "./palette.js";
import type { Line, Panel, Point } from "./panel.js";

/** Stations that have a lane. */
export const LANES_MAX = 24;
/** How far a stroke reaches from its lane. */
const STROKE = 0.36;
const SIZE = { width: 880, laneHeight: 34, around: 90 } as const;

/** What was on the air in one run: a lane for each station, a stroke for each datagram. */
export function airFigure(log: AirLog, boards: number): Figure {
  const stations = Math.min(LANES_MAX, boards + 1);
  const datagrams = log.datagrams.filter(({ from }) => from < stations);
  return {
    id: "air",
    heading: "The run on the air",
    caption:
      "A lane for each station. A stroke is a datagram at the moment at which it left the air, in the lane of its sender: upwards it arrived, downwards it was lost or altered.",
    key: [
      { style: AIR_STYLES.arrived, label: "datagram that arrived (upwards)" },
      { style: AIR_STYLES.lost, label: "datagram that was lost or altered (downwards)" },
      { style: AIR_STYLES.sent, label: "message handed over by its sender" },
      { style: AIR_STYLES.delivered, label: "message delivered to its receiver" },
    ],
    panels: [panelOf(log, datagrams, stations)],
    omissions: omitted(log, boards, stations),
    table: {
      caption: "What each station sent",
      head: ["station", "datagrams", "arrived", "lost or altered", "bytes"].map((title, index) => ({
        title,
        isFigure: index > 0,
      })),
      rows: Array.from({ length: stations }, (_, station) => {
        const mine = datagrams.filter(({ from }) => from === station);
        const arrived = mine.filter(({ hasArrived }) => hasArrived).length;
        const bytes = mine.reduce((sum, datagram) => sum + datagram.bytes, 0);
        const figures = [mine.length, arrived, mine.length - arrived, bytes];
        return [stationName(station), ...figures.map(count)];
      }),
    },
  };
}

function panelOf(log: AirLog, datagrams: readonly AirDatagram[], stations: number): Panel {
  const lasts = [
    ...log.datagrams.map(({ atUs }) => atUs),
    ...log.mails.map(({ sentUs, deliveredUs = sentUs }) => deliveredUs),
  ];
  const lastUs = lasts.reduce((last, us) => Math.max(last, us), 0);
  const unit = timeUnit(lastUs);
  // The gateway on top.
  const lane = (station: number) => stations - 1 - station;
  const strokes = (hasArrived: boolean, style: number): Line => ({
    style,
    form: "straight",
    points: datagrams
      .filter((datagram) => datagram.hasArrived === hasArrived)
      .flatMap(({ atUs, from }) => {
        const [x, y] = [atUs / unit.us, lane(from)];
        return strokeAt(x, y, hasArrived ? STROKE : -STROKE);
      }),
  });
  const sent = log.mails.flatMap(({ from, sentUs }) => {
    return from < stations ? markAt(sentUs / unit.us, lane(from)) : [];
  });
  const delivered = log.mails.flatMap(({ to, deliveredUs }) => {
    const isDrawn = deliveredUs !== undefined && to < stations;
    return isDrawn ? markAt(deliveredUs / unit.us, lane(to)) : [];
  });
  const arrived = datagrams.filter(({ hasArrived }) => hasArrived).length;
  const bytes = datagrams.reduce((sum, datagram) => sum + datagram.bytes, 0);
  return {
    heading: "",
    words: `${counted(datagrams.length, "datagram")} of ${inBytes(bytes)} over ${plain(lastUs / unit.us)} ${unit.name}, of which ${count(arrived)} arrived.`,
    x: {
      name: `Time since the start of the run, ${unit.name}`,
      scale: "even",
      min: 0,
      ...evenScale(lastUs / unit.us),
      label: plain,
    },
    y: {
      name: "",
      scale: "places",
      min: -0.5,
      max: stations - 0.5,
      label: (place) => stationName(lane(place)),
    },
    size: { width: SIZE.width, height: SIZE.around + SIZE.laneHeight * stations },
    lines: [
      strokes(true, AIR_STYLES.arrived),
      strokes(false, AIR_STYLES.lost),
      { style: AIR_STYLES.sent, form: "straight", points: sent },
      { style: AIR_STYLES.delivered, form: "straight", points: delivered },
    ],
  };
}

function strokeAt(x: number, y: number, length: number): Point[] {
  return [
    { x, y, isMarked: false },
    { x, y: y + length, isMarked: false },
    { x, y: undefined, isMarked: false },
  ];
}

function markAt(x: number, y: number): Point[] {
  return [
    { x, y, isMarked: true },
    { x, y: undefined, isMarked: false },
  ];
}

function omitted(log: AirLog, boards: number, stations: number): string[] {
  const omissions: string[] = [];
  if (log.datagrams.length < log.datagramsInAll) {
    omissions.push(
      `Only the first ${count(log.datagrams.length)} of ${count(log.datagramsInAll)} datagrams are drawn and counted here; --trace prints all.`,
    );
  }
  if (log.mails.length < log.mailsInAll) {
    omissions.push(
      `Only the first ${count(log.mails.length)} of ${count(log.mailsInAll)} messages are marked.`,
    );
  }
  if (stations < boards + 1) {
    omissions.push(`Only ${stations} of ${boards + 1} stations have a lane; --trace prints all.`);
  }
  return omissions;
}
