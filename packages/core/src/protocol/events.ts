import type { Way } from "./channels.js";
import type { Delivery, FardelErrorCode } from "./errors.js";
import type { OutgoingMessage } from "./outgoing-message.js";
import type { Peer } from "./peer.js";

/** Why a session ended. */
export type SessionEnd =
  | "peer-restarted"
  | "peer-closed"
  | "peer-unreachable"
  | "peer-revoked"
  | "closed-here";

/** How a message ended at its sender; PROTOCOL.md, section 10. */
export type MessageEnd =
  | { readonly outcome: "delivered" | "replaced" | "sent" }
  | {
      readonly outcome: "failed";
      readonly code: FardelErrorCode;
      readonly delivery: Delivery;
      readonly reason?: number;
    };

/** Facts, in the past tense, in the order in which they happened. */
export type ProtocolEvent =
  | { readonly type: "session-opened"; readonly peer: Peer }
  | {
      readonly type: "sessionless-received";
      readonly address: Uint8Array;
      readonly kind: number;
      readonly body: Uint8Array;
      readonly info: { readonly rssiDbm?: number; readonly radioChannel?: number };
    }
  | { readonly type: "session-ended"; readonly peer: Peer; readonly why: SessionEnd }
  | {
      readonly type: "message-received";
      readonly peer: Peer;
      readonly session: object;
      readonly way: Way;
      readonly wireChannel: number;
      readonly bytes: Uint8Array;
      readonly heldBytes: number;
    }
  | {
      readonly type: "stream-opened";
      readonly peer: Peer;
      readonly stream: number;
      readonly way: Way;
      readonly wireChannel: number;
      readonly totalBytes: number | undefined;
    }
  | {
      readonly type: "stream-data";
      readonly peer: Peer;
      readonly stream: number;
      readonly bytes: Uint8Array;
      readonly heldBytes: number;
    }
  | { readonly type: "stream-ended"; readonly peer: Peer; readonly stream: number }
  | {
      readonly type: "stream-failed";
      readonly peer: Peer;
      readonly stream: number;
      readonly code: FardelErrorCode;
    }
  | { readonly type: "message-progressed"; readonly peer: Peer; readonly message: OutgoingMessage }
  | {
      readonly type: "message-ended";
      readonly peer: Peer;
      readonly message: OutgoingMessage;
      readonly end: MessageEnd;
    };
