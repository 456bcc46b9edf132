import type { Address, SendOutcome } from "@fardel/core";
import type { BridgeFacts } from "../bridge-frames.js";

/** A datagram of the link's owner, from its hand-over to its outcome. */
export interface Handover {
  readonly to: Address;
  readonly datagram: Uint8Array;
  readonly done: (outcome: SendOutcome) => void;
}

/**
 * - `restarted`: the board has booted anew, or ended the session because it heard nothing from us.
 * - `out-of-step`: host and bridge disagree about what was handed over.
 */
export type SessionLoss = "restarted" | "out-of-step";

/**
 * - `no-answer`: nobody said HELLO in time. `silent`: nothing was heard after a question.
 * - `version-mismatch`: the bridge speaks other versions; there is no session with it.
 */
export type SessionStop = "no-answer" | "silent" | "version-mismatch";

/** What became of a question to the bridge that its owner waits for. */
export type ChannelAnswer =
  | {
      readonly result: "set" | "not-allowed" | "busy" | "cannot";
      readonly channel: number;
    }
  | { readonly result: "not-answered" | "session-lost" };
export type StatisticsAnswer =
  | { readonly result: "answered"; readonly counts: readonly number[] }
  | { readonly result: "not-answered" | "session-lost" };

/** What a {@link HostSession} has to tell, in the order in which it happened. */
export type HostEvent =
  | { readonly type: "session-opened"; readonly facts: BridgeFacts }
  /** Everything outstanding has ended as `gone`; HELLO? is said again. */
  | { readonly type: "session-lost"; readonly why: SessionLoss }
  /** The last event: the port is of no use any more. */
  | { readonly type: "session-stopped"; readonly why: SessionStop; readonly versions?: Versions }
  | {
      readonly type: "send-finished";
      readonly handover: Handover;
      readonly outcome: SendOutcome;
    }
  /** Both arrays are those of the frame: valid until the next bytes are taken in. */
  | {
      readonly type: "datagram-received";
      readonly from: Address;
      readonly datagram: Uint8Array;
      readonly rssiDbm: number | undefined;
    }
  | { readonly type: "channel-answered"; readonly answer: ChannelAnswer }
  | { readonly type: "channel-changed"; readonly channel: number }
  | { readonly type: "statistics-answered"; readonly answer: StatisticsAnswer }
  | { readonly type: "log-received"; readonly level: number; readonly text: string };

/** A range of protocol versions, both included. */
export interface Versions {
  readonly versionMin: number;
  readonly versionMax: number;
}
