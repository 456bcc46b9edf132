import type { Priority, ProtocolConfig, Way } from "@fardel/core";
import type { Impairments, MediumSettings } from "@fardel/lossy-link";
import type { Feature } from "./features.js";

/** How a station takes what arrives. */
export interface ReaderPlan {
  readonly kind: "loop" | "callback";
  /** Virtual time spent on each message at most, microseconds. */
  readonly delayUsMax: number;
  /** Intervals in which nothing is read, microseconds. */
  readonly pauses: readonly (readonly [fromUs: number, toUs: number])[];
}

/** Shares, 0 to 1, of the messages that a station takes in another way than whole. */
export interface AcceptPlan {
  readonly streamShare: number;
  readonly cancelShare: number;
  readonly refuseShare: number;
}

export interface StationPlan {
  readonly address: Uint8Array;
  readonly mtuBytes: number;
  readonly config: Partial<ProtocolConfig>;
  readonly reader: ReaderPlan;
  readonly accept: AcceptPlan;
  readonly queue: QueuePlan;
}

/** What lies between an endpoint and its radio. */
export interface QueuePlan {
  /** Intervals in which every datagram is refused, microseconds. */
  readonly fullUs: readonly (readonly [fromUs: number, toUs: number])[];
  /** Datagrams that a queue takes which tells nothing of itself; 0: there is none. */
  readonly hidden: number;
}

/** One message or request that will be sent. */
export interface SendPlan {
  readonly atUs: number;
  readonly from: number;
  readonly to: number;
  readonly kind: "message" | "request";
  readonly bytes: number;
  readonly way: Way;
  readonly channel: number | undefined;
  readonly priority: Priority;
  readonly deadlineMs: number | undefined;
  readonly abortAtUs: number | undefined;
  readonly afterRestart: "report" | "resend";
  readonly firstContact: "data" | "handshake";
}

/** Something that is done to a station. */
export interface StrokePlan {
  readonly atUs: number;
  readonly station: number;
  readonly kind: "restart" | "radio" | "close";
  /** For how long the radio stays off; for a restart -1: it does not notice. */
  readonly deafUs: number;
  /** Peer whose session is closed. */
  readonly peer: number;
}

/** Something from outside: heard before, and sent or received once more. */
export interface IntrusionPlan {
  readonly atUs: number;
  /** `replay`: the station receives again what it received. `stranger`: it comes from a foreign address. */
  readonly kind: "replay" | "stranger";
  readonly station: number;
  /** Which of the foreign addresses. */
  readonly stranger: number;
  /** Which of the datagrams that were kept, 0 to 1: the oldest to the newest. */
  readonly age: number;
  readonly change: "none" | "flip" | "cut" | "grow" | "random";
  /** What the change draws its numbers from. */
  readonly salt: number;
}

/** Everything about one run, drawn from its seed. */
export interface Scenario {
  readonly seed: number;
  readonly features: ReadonlySet<Feature>;
  readonly medium: MediumSettings;
  readonly impairments: Impairments;
  /** What differs on single paths. */
  readonly paths: readonly { from: number; to: number; impairments: Impairments }[];
  readonly healed: Impairments;
  readonly stations: readonly StationPlan[];
  readonly sends: readonly SendPlan[];
  readonly strokes: readonly StrokePlan[];
  readonly intrusions: readonly IntrusionPlan[];
  /** When all faults end, microseconds. */
  readonly healUs: number;
}

/** Without a deadline of its own a message has this one: far beyond the end of any run. */
export const NO_DEADLINE_MS = 30_000_000;
