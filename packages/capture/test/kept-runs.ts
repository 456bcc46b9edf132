import type { Deed, Faults } from "./recorded-run.js";

/** Runs in which a rule of the plan matters that few runs need: each was once, or is without it, wrong. */
export const KEPT_RUNS: readonly {
  readonly name: string;
  readonly deeds: readonly Deed[];
  readonly faults: Faults;
}[] = [
  {
    name: "an unverified session that was closed without a word, and refused when its peer asked on",
    deeds: [
      { atMs: 0, side: "a", what: "send", way: "ordered", channel: 0, size: 0 },
      { atMs: 762, side: "b", what: "drop", way: "latest", channel: 3, size: 19 },
      { atMs: 762, side: "a", what: "send", way: "ordered", channel: 0, size: 0 },
    ],
    faults: { seed: 1 },
  },
  {
    name: "a session that was ended in silence, and refused in the long form",
    deeds: [
      { atMs: 329, side: "a", what: "drop", way: "latest", channel: 0, size: 8 },
      { atMs: 965, side: "b", what: "send", way: "unacknowledged", channel: 0, size: 311 },
      { atMs: 970, side: "a", what: "drop", way: "ordered", channel: 1, size: 8 },
      { atMs: 1323, side: "b", what: "send", way: "unordered", channel: 0, size: 61 },
    ],
    faults: {
      seed: 2,
      duplication: { probability: 0.1, delayUsMin: 0, delayUsMax: 500000 },
      reordering: { probability: 0.1, delayUsMin: 100, delayUsMax: 100000 },
      corruption: { probability: 0.05, bitsMin: 1, bitsMax: 3 },
      jitterUs: 20000,
    },
  },
  {
    name: "a candidate that proves itself in the short form, and is refused later",
    deeds: [
      { atMs: 0, side: "a", what: "send", way: "ordered", channel: 0, size: 0 },
      { atMs: 516, side: "b", what: "restart", way: "unordered", channel: 1, size: 2677 },
      { atMs: 676, side: "b", what: "send", way: "unacknowledged", channel: 3, size: 1497 },
      { atMs: 1008, side: "a", what: "send", way: "ordered", channel: 0, size: 0 },
      { atMs: 1009, side: "b", what: "restart", way: "unordered", channel: 1, size: 17 },
      { atMs: 2854, side: "b", what: "send", way: "unacknowledged", channel: 2, size: 9 },
    ],
    faults: { seed: 1 },
  },
  {
    name: "a candidate that is forgotten with the session that was closed",
    deeds: [
      { atMs: 0, side: "b", what: "send", way: "ordered", channel: 0, size: 479 },
      { atMs: 1343, side: "b", what: "restart", way: "unacknowledged", channel: 3, size: 18 },
      { atMs: 2904, side: "b", what: "send", way: "unacknowledged", channel: 0, size: 25 },
      { atMs: 2992, side: "a", what: "close", way: "unacknowledged", channel: 1, size: 3 },
    ],
    faults: {
      seed: 216526940,
      duplication: { probability: 0.1, delayUsMin: 0, delayUsMax: 500000 },
      jitterUs: 20000,
    },
  },
  {
    name: "a session in silence over, and the next one opened with a message",
    deeds: [
      { atMs: 4, side: "b", what: "send", way: "unacknowledged", channel: 0, size: 18 },
      { atMs: 157, side: "b", what: "restart", way: "ordered", channel: 1, size: 8 },
      { atMs: 465, side: "a", what: "drop", way: "unacknowledged", channel: 1, size: 0 },
      { atMs: 474, side: "b", what: "send", way: "ordered", channel: 0, size: 6 },
      { atMs: 1331, side: "a", what: "close", way: "unacknowledged", channel: 0, size: 4 },
      { atMs: 1401, side: "a", what: "send", way: "latest", channel: 1, size: 239 },
      { atMs: 1498, side: "b", what: "drop", way: "latest", channel: 0, size: 28 },
    ],
    faults: {
      seed: 999999990,
      loss: 0.3,
      duplication: { probability: 0.1, delayUsMin: 0, delayUsMax: 500000 },
      reordering: { probability: 0.1, delayUsMin: 100, delayUsMax: 100000 },
    },
  },
  {
    name: "an opening refused after it has been answered",
    deeds: [
      { atMs: 0, side: "a", what: "send", way: "ordered", channel: 0, size: 0 },
      { atMs: 324, side: "b", what: "send", way: "latest", channel: 1, size: 985 },
      { atMs: 335, side: "a", what: "send", way: "ordered", channel: 0, size: 0 },
      { atMs: 339, side: "a", what: "send", way: "ordered", channel: 1, size: 2 },
      { atMs: 351, side: "b", what: "close", way: "ordered", channel: 0, size: 0 },
      { atMs: 1286, side: "a", what: "send", way: "ordered", channel: 0, size: 781 },
      { atMs: 1353, side: "b", what: "close", way: "unordered", channel: 3, size: 2311 },
      { atMs: 1739, side: "b", what: "send", way: "unacknowledged", channel: 3, size: 198 },
    ],
    faults: {
      seed: 808510575,
      reordering: { probability: 0.1, delayUsMin: 100, delayUsMax: 100000 },
      corruption: { probability: 0.05, bitsMin: 1, bitsMax: 3 },
    },
  },
  {
    name: "what was handed over before, and left after what was received meanwhile",
    deeds: [
      { atMs: 55, side: "a", what: "send", way: "ordered", channel: 0, size: 1147 },
      { atMs: 128, side: "a", what: "send", way: "ordered", channel: 1, size: 979 },
      { atMs: 144, side: "b", what: "drop", way: "unacknowledged", channel: 0, size: 994 },
      { atMs: 260, side: "a", what: "send", way: "unacknowledged", channel: 1, size: 200 },
      { atMs: 984, side: "a", what: "send", way: "latest", channel: 0, size: 21 },
    ],
    faults: {
      seed: 305360039,
      loss: 0.3,
      duplication: { probability: 0.1, delayUsMin: 0, delayUsMax: 500000 },
    },
  },
  {
    name: "a copy that is refused after the first one was taken",
    deeds: [
      { atMs: 0, side: "a", what: "send", way: "ordered", channel: 0, size: 0 },
      { atMs: 2852, side: "a", what: "send", way: "ordered", channel: 2, size: 2434 },
      { atMs: 2992, side: "a", what: "drop", way: "ordered", channel: 0, size: 1569 },
    ],
    faults: {
      seed: 999984720,
      loss: 0.1,
      duplication: { probability: 0.1, delayUsMin: 0, delayUsMax: 500000 },
      reordering: { probability: 0.1, delayUsMin: 100, delayUsMax: 100000 },
      corruption: { probability: 0.05, bitsMin: 1, bitsMax: 3 },
    },
  },
  {
    name: "a claim that was replaced, and refused",
    deeds: [
      { atMs: 395, side: "b", what: "send", way: "latest", channel: 3, size: 2532 },
      { atMs: 410, side: "a", what: "restart", way: "latest", channel: 1, size: 2878 },
      { atMs: 410, side: "a", what: "send", way: "ordered", channel: 0, size: 0 },
      { atMs: 3000, side: "b", what: "send", way: "ordered", channel: 2, size: 1 },
    ],
    faults: { seed: 1, jitterUs: 20000 },
  },
  {
    name: "copies of what was taken, before a session that its peer has closed",
    deeds: [
      { atMs: 0, side: "a", what: "send", way: "ordered", channel: 0, size: 229 },
      { atMs: 0, side: "a", what: "send", way: "ordered", channel: 0, size: 659 },
      { atMs: 0, side: "a", what: "send", way: "ordered", channel: 0, size: 479 },
      { atMs: 286, side: "a", what: "send", way: "unacknowledged", channel: 0, size: 1156 },
      { atMs: 2022, side: "a", what: "close", way: "unordered", channel: 2, size: 657 },
    ],
    faults: {
      seed: 110367659,
      duplication: { probability: 0.1, delayUsMin: 0, delayUsMax: 500000 },
      jitterUs: 20000,
    },
  },
];
