/** The few words that a newcomer needs, each in a sentence or two. */
export const TERMS = {
  datagram: "What the radio carries at once: a few hundred bytes at most. It may get lost.",
  message: "What a program hands over: here the blob. It arrives whole or not at all.",
  fragment: "A slice of a message that fits into one datagram.",
  frame: "One unit of the protocol inside a datagram. A datagram can hold several.",
  session: "What two sides remember about each other, from the first datagram to the end.",
  ack: "An acknowledgement: the receiver tells what has arrived, and so what is missing.",
  window: "How many fragments beyond the first missing one the receiver is prepared to take.",
  goodput: "Bytes of messages that arrive in a second, without anything that the protocol adds.",
  limit: "What the channel could carry at this loss if the protocol cost nothing.",
  airtime: "How long a datagram keeps the air busy. On a shared air only one can speak at a time.",
  rssi: "Signal strength at the receiver, in dBm. Nearer to zero is stronger.",
  seed: "A number from which everything random is drawn. The same seed gives the same run.",
  burst: "How many datagrams are lost in a row, on average, once one is lost.",
  outage: "A time in which nothing gets through at all.",
  efficiency: "Goodput as a share of the limit.",
} as const;

export type Term = keyof typeof TERMS;
