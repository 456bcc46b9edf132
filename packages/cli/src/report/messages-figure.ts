import { duration } from "../format.js";
import type { CaseSummary } from "../simulation/case-tally.js";
import { type Figure, numberAxis } from "./figure.js";
import { shown } from "./markup.js";
import { threeDigits, timeUnit } from "./numbers.js";

/** Names of messages on an axis are cut to so many characters. */
const NAME_MAX = 14;

/** Where nothing is swept, the messages stand side by side. */
export function messagesFigure({ messages }: CaseSummary): Figure {
  const unit = timeUnit(Math.max(0, ...messages.map(({ p95Us }) => p95Us ?? 0)));
  const times = messages.flatMap(({ p5Us, medianUs, p95Us }) => [p5Us, medianUs, p95Us]);
  const known = times.flatMap((us) => (us === undefined ? [] : [us / unit.us]));
  const cell = (us: number | undefined) => (us === undefined ? "–" : threeDigits(us / unit.us));
  const words = messages.map(({ name, medianUs }) => {
    return `${name}: ${medianUs === undefined ? "none was delivered" : `median ${duration(medianUs)}`}.`;
  });
  return {
    id: "time",
    heading: "Delivery time",
    caption:
      "Marks: the median. Whiskers: from the 5th to the 95th percentile. Only what was delivered counts.",
    key: [],
    panels: [
      {
        heading: "",
        words: `Delivery time of each message. ${words.join(" ")}`,
        x: {
          name: "message",
          scale: "places",
          min: -0.5,
          max: messages.length - 0.5,
          label: (place) => shortName(messages[place]?.name ?? ""),
        },
        y: numberAxis(`Delivery time, ${unit.name}`, known),
        // A line of its own for each: nothing lies between two messages.
        lines: messages.map(({ medianUs, p5Us, p95Us }, x) => ({
          style: 0,
          form: "straight",
          points: [
            {
              x,
              y: medianUs === undefined ? undefined : medianUs / unit.us,
              low: p5Us === undefined ? undefined : p5Us / unit.us,
              high: p95Us === undefined ? undefined : p95Us / unit.us,
              isMarked: true,
            },
          ],
        })),
      },
    ],
    omissions: [],
    table: {
      caption: "Delivery time",
      head: [
        { title: "message", isFigure: false },
        ...["P5", "median", "P95"].map((title) => ({
          title: `${title} ${unit.name}`,
          isFigure: true,
        })),
      ],
      rows: messages.map(({ name, p5Us, medianUs, p95Us }) => [
        name,
        ...[p5Us, medianUs, p95Us].map(cell),
      ]),
    },
  };
}

function shortName(name: string): string {
  const characters = [...shown(name)];
  return characters.length <= NAME_MAX
    ? shown(name)
    : `${characters.slice(0, NAME_MAX - 1).join("")}…`;
}
