/** What the words of a report mean, one sentence each. */
export const GLOSSARY: readonly (readonly [word: string, sentence: string])[] = [
  [
    "case",
    "A combination: one value of each field that the scenario gives as a list; its number is what --case takes.",
  ],
  ["run", "One combination with one seed: the same two give the same run on every machine."],
  ["failed", "A run in which a message failed, came twice, altered or out of order, or that hung."],
  ["sent, delivered, replaced", "Messages of all runs; replaced: gave way to a newer value."],
  [
    "median, percentile (P5, P95, P99)",
    "Half, or so many of a hundred, of the delivered messages took at most this long from sending to delivery, in virtual time (nearest rank).",
  ],
  [
    "goodput",
    "Bytes of messages that were delivered, each second, from the first sending to the last delivery.",
  ],
  [
    "limit of the channel",
    "The datagram size per time of a full frame × (1 − loss): what the channel could carry if every byte were a message’s.",
  ],
  ["efficiency", "Goodput ÷ limit of the channel, mean over the runs."],
  ["datagrams", "Datagrams of both sides on air, for each message that was sent."],
  ["airtime", "How long the air was busy in a run, repetitions included."],
];

/** What the figures are not. */
export const CAUTIONS: readonly string[] = [
  "A simulation is no proof of a real radio: it shows that a program copes with loss, not how much loss there will be. Only a measurement in your orchard shows that.",
  "The content of all messages is invented by the simulation. Their sizes and times, and the loss, are those that the scenario states; nothing here was measured on a radio.",
];
