/**
 * What can befall a simulated run. Each run has about half of them; every one can be switched off
 * from outside without shifting what the others draw, which is how a failure is made smaller.
 */
export const FEATURES = {
  loss: "independent loss, up to 0.4",
  asymmetry: "each path has a loss of its own",
  bursts: "losses in bursts",
  reordering: "datagrams held up by up to seconds",
  duplication: "second deliveries, some of them late",
  corruption: "1 to 3 flipped bits in a datagram",
  delay: "propagation delay and jitter, up to a quarter of a second each way",
  outages: "nothing gets through for a while",
  neighbourAcks: "the link says whether the neighbour has confirmed",
  contention: "stations draw back-offs and collide",
  radioRestarts: "radios go off and on again",
  restarts: "an endpoint is abandoned and another one opened at its address",
  slowReaders: "readers that take their time for each message",
  pausedReaders: "readers that stop for minutes",
  callbacks: "readers that take messages in a callback",
  streams: "some messages are taken as streams",
  cancels: "some streams are left early",
  refusals: "some messages are refused",
  aborts: "some messages are aborted",
  deadlines: "some messages have short deadlines",
  floods: "many latest values in one turn",
  requests: "requests and replies",
  loose: "unacknowledged messages",
  bulk: "messages of many fragments",
  closes: "sessions are closed by their owners",
  crowd: "more than two stations, up to 50",
  mixedMtu: "stations differ in the datagrams they take",
  smallBudgets: "little memory for what arrives",
  smallQueues: "little room for what waits to be sent",
  keepAlive: "idle peers are asked for a sign of life",
  dutyCycle: "a cap on the share of airtime",
  handshake: "messages that are held back from the first datagram",
  resend: "messages that are sent again after a restart",
  impatience: "peers are given up after a few seconds of silence",
  megabytes: "some messages of up to four million bytes, if their fragments are large enough",
  strangers: "addresses that nobody knows send what they have heard, whole, damaged or cut",
  replays: "what was received is received again, minutes later or after a restart",
  sharedQueues: "another program fills the link's send queue now and then",
  hiddenQueues: "the link says sent at once, and drops what a short queue behind it does not take",
} as const;

export type Feature = keyof typeof FEATURES;

export const FEATURE_NAMES = Object.keys(FEATURES) as Feature[];
