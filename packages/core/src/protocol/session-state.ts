/** Phases of a session; PROTOCOL.md, section 4.2. */
export type Phase = "idle" | "opening" | "answering" | "open" | "closed";

/** What moves a session from phase to phase. */
export type Trigger =
  | "open-requested"
  | "opening-received"
  | "echo-received"
  | "claim-refuted"
  | "ended";

/** The whole table. A missing entry: the trigger changes nothing in that phase. */
export const TRANSITIONS: Readonly<Record<Phase, Partial<Record<Trigger, Phase>>>> = {
  idle: { "open-requested": "opening", "opening-received": "answering", ended: "closed" },
  opening: { "opening-received": "answering", "echo-received": "open", ended: "closed" },
  answering: { "echo-received": "open", "claim-refuted": "opening", ended: "closed" },
  open: { ended: "closed" },
  closed: {},
};

export function nextPhase(phase: Phase, trigger: Trigger): Phase {
  return TRANSITIONS[phase][trigger] ?? phase;
}
