import { count, counted, bytes as inBytes, percent } from "../format.js";
import type { Case, CaseLink, CaseMessage } from "../scenario/cases.js";
import type { PresetName } from "../scenario/schema.js";

/** What the media stand for; the README of lossy-link has more. */
const MEDIA: Readonly<Record<PresetName, string>> = {
  reference:
    "connectionless frames of a 1 Mbit/s radio (IEEE 802.11 DSSS), one at a time on the air, with a mean back-off",
  contention:
    "the same radio with back-off drawn at random, collisions, and acks and repetitions by the link itself",
  ieee802154: "a 250 kbit/s radio (IEEE 802.15.4 at 2.4 GHz)",
  canFd: "a CAN FD bus at 500 kbit/s and 2 Mbit/s (ISO 11898-1)",
  bleAtt: "notifications over Bluetooth Low Energy with the smallest ATT_MTU",
  ideal: "no radio at all: datagrams take no time",
};

/** A scenario in sentences: of a swept field all its values. */
export interface ScenarioWords {
  readonly link: readonly string[];
  readonly boards: readonly string[];
  readonly messages: readonly string[];
}

/** @param cases - all combinations of the scenario, at least one */
export function scenarioWords(cases: readonly Case[]): ScenarioWords {
  const [first] = cases;
  if (first === undefined) return { link: [], boards: [], messages: [] };
  return {
    link: linkWords(cases.map(({ link }) => link)),
    boards: boardsWords(cases),
    messages: first.messages.map((message, entry) => {
      const sizes = valuesOf(cases, ({ messages }) => messages[entry]?.bytes ?? 0);
      return messageWords(message, sizes);
    }),
  };
}

function valuesOf<T, V extends string | number>(all: readonly T[], pick: (one: T) => V): V[] {
  return [...new Set(all.map(pick))];
}

/** `1`, `1 or 2`, `1, 2 or 3` */
function either(values: readonly (string | number)[]): string {
  const words = values.map(String);
  const last = words.pop() ?? "";
  return words.length === 0 ? last : `${words.join(", ")} or ${last}`;
}

function linkWords(links: readonly CaseLink[]): string[] {
  const values = (pick: (link: CaseLink) => number) => valuesOf(links, pick);
  const isUsed = (pick: (link: CaseLink) => number) => links.some((link) => pick(link) > 0);
  const shares = (pick: (link: CaseLink) => number) => either(values(pick).map(percent));
  const ms = (pick: (link: CaseLink) => number) => either(values((link) => pick(link) / 1000));
  const sentences = valuesOf(links, ({ preset }) => preset).map((preset) => {
    const mine = links.filter((link) => link.preset === preset);
    const sizes = valuesOf(mine, ({ mtuBytes }) => count(mtuBytes));
    return `Medium ${preset}: ${MEDIA[preset]}. Datagrams of at most ${either(sizes)} bytes.`;
  });
  sentences.push(lossWords(links));
  if (isUsed(({ duplicate }) => duplicate)) {
    sentences.push(`${shares(({ duplicate }) => duplicate)} of the datagrams arrive twice.`);
  }
  if (isUsed(({ reorder }) => reorder)) {
    sentences.push(
      `${shares(({ reorder }) => reorder)} of the datagrams are held up by up to three full frames, so that later ones overtake them.`,
    );
  }
  if (isUsed(({ corrupt }) => corrupt)) {
    sentences.push(
      `${shares(({ corrupt }) => corrupt)} of the datagrams arrive with one to three bits flipped.`,
    );
  }
  if (isUsed(({ delayUs }) => delayUs)) {
    sentences.push(`A datagram arrives ${ms(({ delayUs }) => delayUs)} ms after it left the air.`);
  }
  if (isUsed(({ jitterUs }) => jitterUs)) {
    sentences.push(`At random it takes up to ${ms(({ jitterUs }) => jitterUs)} ms more.`);
  }
  const outages = links[0]?.outagesUs ?? [];
  if (outages.length > 0) {
    const list = outages.map(([from, to]) => `from ${from / 1e6} s to ${to / 1e6} s`);
    sentences.push(`Nothing gets through ${list.join(", ")}.`);
  }
  return sentences;
}

function lossWords(links: readonly CaseLink[]): string {
  if (links.every(({ loss }) => loss === 0)) return "No datagram is lost by chance.";
  const shares = either(valuesOf(links, ({ loss }) => percent(loss)));
  const bursts = [
    ...valuesOf(links, ({ burst }) => burst).map((burst) =>
      burst === 1 ? "" : `${burst} in a row on the mean`,
    ),
    ...valuesOf(links, ({ burstUs }) => burstUs).map((us) =>
      us === 0 ? "" : `for ${us / 1000} ms at a stretch on the mean`,
    ),
  ];
  const named = [...new Set(bursts.filter((words) => words !== ""))];
  const isAlsoAlone = links.some(({ burst, burstUs }) => burst === 1 && burstUs === 0);
  const how = either([...(isAlsoAlone ? ["each for itself"] : []), ...named]);
  return `${shares} of the datagrams are lost, each way: ${how}.`;
}

function boardsWords(cases: readonly Case[]): string[] {
  const boards = valuesOf(cases, (each) => each.boards);
  const windows = valuesOf(cases, ({ window }) => window);
  const isOne = boards.length === 1 && boards[0] === 1;
  return [
    `A gateway and ${either(boards)} ${isOne ? "board" : "boards"} on one channel; they have never spoken before.`,
    `Each side takes ${either(windows)} fragments beyond the first missing one (its window).`,
  ];
}

function messageWords(message: CaseMessage, sizes: readonly number[]): string {
  const { name, from, priority, way, channel, atS, spreadS, everyS, deadlineS } = message;
  const size = sizes.length === 1 ? inBytes(sizes[0]!) : `${either(sizes.map(count))} bytes`;
  const who = from === "gateway" ? "the gateway sends each board" : "each board sends the gateway";
  const times = message.count === 1 ? "one message" : counted(message.count, "message");
  const rhythm =
    message.count === 1 ? "" : everyS === 0 ? ", all at once" : `, one every ${everyS} s`;
  const spread = spreadS === 0 ? "" : `, each board later by up to ${spreadS} s`;
  const lane = channel === undefined ? "" : `, channel ${channel}`;
  return `${name}: ${who} ${times} of ${size}${rhythm}, from ${atS} s on${spread}. Priority ${priority}, ${way}${lane}; failed after ${count(deadlineS)} s.`;
}
