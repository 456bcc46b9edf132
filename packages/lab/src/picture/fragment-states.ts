import type { DatagramTable, TransferRecord } from "../run/record.js";

/** What one who sees everything can say of a fragment at an instant. */
export const FRAGMENT_STATES = ["waiting", "flying", "died", "lost", "arrived", "known"] as const;
export type FragmentState = (typeof FRAGMENT_STATES)[number];

export const STATE_WORDS: Record<FragmentState, { name: string; words: string }> = {
  waiting: { name: "not sent yet", words: "waits at the sender" },
  flying: { name: "on its way", words: "is in the air or about to be taken" },
  died: { name: "died, nobody knows", words: "was lost on the way; the sender does not know yet" },
  lost: { name: "to be sent again", words: "the sender knows that it is missing" },
  arrived: { name: "arrived", words: "is at the receiver; the sender does not know yet" },
  known: { name: "acknowledged", words: "is at the receiver, and the sender knows" },
};

const WAITING = 0;
const FLYING = 1;
const DIED = 2;
const LOST = 3;
const ARRIVED = 4;
const KNOWN = 5;

/**
 * Writes the state of every fragment at `atUs` into `states`, as index in {@link FRAGMENT_STATES}.
 * One pass over fragments and over what was sent so far.
 */
export function fillFragmentStates(
  transfer: TransferRecord,
  datagrams: DatagramTable,
  atUs: number,
  states: Uint8Array,
): void {
  const { sends, losses, arrivedUs, acknowledgedUs, fragmentCount } = transfer;
  states.fill(WAITING);
  let loss = 0;
  const sendCount = sends.atUs.length;
  const lossCount = losses.atUs.length;
  for (let send = 0; send <= sendCount; send++) {
    const sentUs = send < sendCount ? sends.atUs[send]! : Number.POSITIVE_INFINITY;
    // At one and the same instant it is first known to be lost, and then sent again.
    while (loss < lossCount && losses.atUs[loss]! <= sentUs && losses.atUs[loss]! <= atUs) {
      states[losses.fragment[loss]!] = LOST;
      loss++;
    }
    if (sentUs > atUs) break;
    const row = sends.datagram[send]!;
    const isDead = Number.isNaN(datagrams.arrivedUs[row]!) && datagrams.leftUs[row]! <= atUs;
    states[sends.fragment[send]!] = isDead ? DIED : FLYING;
  }
  for (let fragment = 0; fragment < fragmentCount; fragment++) {
    if (acknowledgedUs[fragment]! <= atUs) states[fragment] = KNOWN;
    else if (arrivedUs[fragment]! <= atUs) states[fragment] = ARRIVED;
  }
}

/** How many fragments are in each state. */
export function countStates(states: Uint8Array): Record<FragmentState, number> {
  const counts = { waiting: 0, flying: 0, died: 0, lost: 0, arrived: 0, known: 0 };
  for (const state of states) counts[FRAGMENT_STATES[state]!]++;
  return counts;
}
