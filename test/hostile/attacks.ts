import type { Attack } from "./attack.js";
import { ACKS } from "./attacks/acks.js";
import { APPETITE, EMPTY_STREAMS } from "./attacks/appetite.js";
import { CONTRADICTIONS, DAMAGED_RUNS } from "./attacks/contradictions.js";
import { CONTROL, FAREWELLS, LONG_SKIPS } from "./attacks/control.js";
import { EDGES, HEAD_EDGES } from "./attacks/edges.js";
import {
  BYTES_OF_A_PEER,
  BYTES_OF_STRANGERS,
  CHANGED_FIELDS,
  FORGERIES,
  FUZZ,
  LOOSE_FUZZ,
  MALFORMED_QUESTIONS,
} from "./attacks/fuzz.js";
import { HALF_LOOSE, HALF_SENT } from "./attacks/half-sent.js";
import { ANSWERED_REQUESTS, LOOSE_OPENINGS, OPENINGS, QUESTIONS } from "./attacks/openings.js";
import { REPLAYS } from "./attacks/replays.js";

/** Attacks by family. */
export const ATTACKS: Readonly<Record<string, readonly Attack[]>> = {
  openings: OPENINGS,
  "half-sent": HALF_SENT,
  contradictions: CONTRADICTIONS,
  acks: ACKS,
  control: CONTROL,
  replays: REPLAYS,
  edges: EDGES,
  fuzz: FUZZ,
  forgeries: FORGERIES,
  appetite: APPETITE,
};

/** Attacks that have found a hole, which was then mended. */
export const FOUND: readonly Attack[] = [
  QUESTIONS,
  FAREWELLS,
  HEAD_EDGES,
  ANSWERED_REQUESTS,
  LOOSE_OPENINGS,
  HALF_LOOSE,
  LOOSE_FUZZ,
  BYTES_OF_STRANGERS,
  BYTES_OF_A_PEER,
  MALFORMED_QUESTIONS,
  EMPTY_STREAMS,
  DAMAGED_RUNS,
  LONG_SKIPS,
  CHANGED_FIELDS,
];
