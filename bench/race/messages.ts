/** What the benchmark and the two processes in the namespaces say to each other. */

/** Who carries the message. */
export type Contestant =
  | { readonly kind: "tcp"; readonly congestionControl: string }
  | { readonly kind: "fardel" }
  | { readonly kind: "by-hand"; readonly way: string };

/** One message from one namespace to the other. */
export interface Task {
  readonly contestant: Contestant;
  readonly bytes: number;
  /** Of the message; the relay has the same for its losses. */
  readonly seed: number;
}

/** What a racer is started with: its own IP address, and that of the other. */
export interface RacerOptions {
  readonly address: string;
  readonly other: string;
}

export type ToRacer =
  | { readonly type: "receive"; readonly task: Task }
  | { readonly type: "send"; readonly task: Task }
  | { readonly type: "stop" };

/** `atUs`: a clock that both processes share, µs. */
export type FromRacer =
  /** Its namespace is set up. */
  | { readonly type: "ready" }
  | { readonly type: "listening" }
  /** Just before the first call that may put something on air. */
  | { readonly type: "started"; readonly atUs: number }
  /** The application has the last byte; `isIntact`: all of them are as they were sent. */
  | { readonly type: "received"; readonly atUs: number; readonly isIntact: boolean }
  /** The sender has nothing more to do; `isGood`: it believes that the message is there. */
  | { readonly type: "done"; readonly isGood: boolean }
  /** `heldBytes`: what has arrived of the message, each byte counted once. */
  | { readonly type: "stopped"; readonly heldBytes: number };
