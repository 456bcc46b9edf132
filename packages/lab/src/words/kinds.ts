import type { DatagramKind, FateName, LossCause } from "../run/record.js";

/** What each kind of datagram is, for legends, tables and the detail pane. */
export const KIND_WORDS: Record<DatagramKind, { name: string; words: string }> = {
  data: { name: "Data", words: "carries a fragment for the first time" },
  repeat: { name: "Repeat", words: "carries a fragment again" },
  ack: { name: "Ack", words: "tells what has arrived" },
  opening: { name: "Opening", words: "opens a session" },
  command: { name: "Command", words: "carries an urgent command" },
  other: { name: "Other", words: "probes, answers, closes" },
};

/** What became of a datagram, to stand behind "It …". */
export const FATE_WORDS: Record<FateName, { name: string; words: string }> = {
  delivered: { name: "arrived", words: "arrived whole" },
  corrupted: { name: "damaged", words: "arrived with flipped bits, and its checksum told" },
  lost: { name: "lost", words: "was lost on the way" },
  faded: { name: "too weak", words: "was too weak to be heard" },
  outage: { name: "outage", words: "fell into an outage" },
  collided: { name: "collided", words: "collided with another one" },
  truncated: { name: "cut", words: "was longer than the receiver takes" },
  unheard: { name: "unheard", words: "met a receiver that was not listening" },
  filtered: { name: "held back", words: "was held back by a rule of the simulation" },
  pending: { name: "unknown", words: "was sent; this recording does not say what became of it" },
};

export const CAUSE_WORDS: Record<LossCause, string> = {
  overtaken: "a later one was acknowledged",
  late: "its ack is overdue",
  link: "the link said that it did not get through",
  unanswered: "nothing was heard any more",
};
