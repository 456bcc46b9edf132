import { presets } from "@fardel/lossy-link";
import { z } from "zod";
import { choiceField, demand, lineField, numberField, swept, wholeField } from "./fields.js";
import {
  BOARDS_MAX,
  ENTRIES_MAX,
  MESSAGE_BYTES_MAX,
  RUN_MESSAGES_MAX,
  TIME_S_MAX,
} from "./limits.js";

export type PresetName = keyof typeof presets;
export const PRESET_NAMES = Object.keys(presets).filter((name): name is PresetName =>
  Object.hasOwn(presets, name),
);

const probability = () => swept(numberField(0, 1)).prefault(0);
const seconds = () => numberField(0, TIME_S_MAX);

const link = z.strictObject({
  /** A medium by open standard; see the README of lossy-link. */
  preset: swept(choiceField(PRESET_NAMES)).prefault("reference"),
  /** Largest datagram, bytes. Left out: that of the preset. */
  mtuBytes: swept(wholeField(20, 65_535)).optional(),
  /** Mean share of datagrams that are lost, each way. */
  loss: probability(),
  /** Mean number of datagrams lost in a row, on each path; 1: each for itself. */
  burst: swept(numberField(1, 1000)).prefault(1),
  /** Mean length of a time in which everything is lost, milliseconds; 0: each for itself. */
  burstMs: swept(numberField(0, 60_000)).prefault(0),
  /** Share of datagrams that arrive twice. */
  duplicate: probability(),
  /** Share of datagrams that are held up, so that later ones overtake them. */
  reorder: probability(),
  /** Share of datagrams that arrive with one to three bits flipped. */
  corrupt: probability(),
  /** From leaving the air to delivery, milliseconds; left out: that of the preset. */
  delayMs: swept(numberField(0, 60_000)).optional(),
  /** Further delay at random, up to this, milliseconds. */
  jitterMs: swept(numberField(0, 60_000)).prefault(0),
  /** Intervals in which nothing gets through: [from, to], seconds. */
  outages: z
    .array(
      z
        .tuple([seconds(), seconds()], { error: "It must be [from, to] in seconds." })
        .refine(([from, to]) => Number(from) < Number(to), {
          error: "It must begin before it ends.",
        }),
      { error: "It must be a list of [from, to] in seconds." },
    )
    .max(100, { error: "More than 100 outages are listed." })
    .prefault([]),
});

const message = z.strictObject({
  /** For the table; left out: from, bytes and priority in words. */
  name: lineField(40).optional(),
  /** From the gateway one goes to each board; from `board` one comes from each. */
  from: choiceField(["gateway", "board"]),
  bytes: swept(wholeField(0, MESSAGE_BYTES_MAX)),
  priority: choiceField(["bulk", "normal", "urgent"]).prefault("normal"),
  way: choiceField(["ordered", "unordered", "latest", "unacknowledged"]).prefault("ordered"),
  /** Channel within the way; left out: by priority. */
  channel: wholeField(0, 5).optional(),
  /** When the first one is sent. */
  atS: seconds().prefault(0),
  /** Each board starts later by up to this, at random, so that they do not all send at once. */
  spreadS: seconds().prefault(0),
  /** From one to the next. */
  everyS: seconds().prefault(0),
  /** How many, for each board. */
  count: wholeField(1, RUN_MESSAGES_MAX).prefault(1),
  /** After it the message counts as failed. */
  deadlineS: numberField(0.001, TIME_S_MAX).prefault(600),
});

/** A scenario as it is written; every swept field is a list once it is read. */
export const scenarioSchema = z.strictObject(
  {
    title: lineField(200).prefault("Scenario without a title"),
    link: link.prefault({}),
    /** Fragments that each side takes beyond the first missing one. */
    window: swept(wholeField(1, 255)).prefault(64),
    boards: swept(wholeField(1, BOARDS_MAX)).prefault(1),
    messages: z
      .array(message, { error: demand("a list of at least one message") })
      .min(1, { error: "The list is empty: at least one message is needed." })
      .max(ENTRIES_MAX, { error: `The list holds more than ${ENTRIES_MAX} messages.` }),
  },
  { error: "A scenario is an object: { … }." },
);

export type ScenarioFields = z.infer<typeof scenarioSchema>;
export type MessageFields = ScenarioFields["messages"][number];
