/** What became of a token. @see BRIDGE.md, section 5.4 */
export type TokenOutcome =
  | "sent"
  | "acknowledged"
  | "not-acknowledged"
  | "queue-full"
  | "lost-on-line"
  | "unknown"
  | "not-taken";

/** What became of CHANNEL?. @see BRIDGE.md, section 5.3 */
export type ChannelResult = "set" | "not-allowed" | "busy" | "cannot";

/** Frames of the host. @see BRIDGE.md, section 4 */
export type HostFrame =
  | {
      readonly type: "hello-request";
      readonly versionMin: number;
      readonly versionMax: number;
      readonly host: number;
    }
  | {
      readonly type: "send";
      readonly token: number;
      readonly to: Uint8Array;
      readonly datagram: Uint8Array;
      readonly again: boolean;
    }
  | { readonly type: "channel-request"; readonly request: number; readonly channel: number }
  | { readonly type: "status-request"; readonly request: number }
  | { readonly type: "statistics-request"; readonly request: number }
  | { readonly type: "goodbye" };

export interface HelloFrame {
  readonly type: "hello";
  readonly versionMin: number;
  readonly versionMax: number;
  readonly host: number;
  readonly bridge: number;
  /** The rest is there only if this library speaks a version from `versionMin` to `versionMax`. */
  readonly facts: BridgeFacts | undefined;
}

/** What a bridge says of itself. @see BRIDGE.md, section 5.1 */
export interface BridgeFacts {
  readonly mtuBytes: number;
  readonly queue: number;
  readonly peersMax: number;
  readonly canBroadcast: boolean;
  readonly canSetChannel: boolean;
  readonly tellsAcknowledgement: boolean;
  /** 0: none, or not known. */
  readonly channel: number;
  readonly airtimeFixedUs: number;
  readonly airtimePerByteNs: number;
  readonly address: Uint8Array;
  readonly name: string;
}

/** Frames of the bridge. @see BRIDGE.md, section 5 */
export type BridgeFrame =
  | HelloFrame
  | {
      readonly type: "received";
      readonly sequence: number;
      readonly rssiDbm: number | undefined;
      readonly from: Uint8Array;
      readonly datagram: Uint8Array;
      readonly again: boolean;
    }
  | {
      readonly type: "channel";
      readonly request: number;
      readonly result: ChannelResult;
      readonly channel: number;
    }
  | {
      readonly type: "status";
      readonly request: number;
      readonly nextToken: number;
      readonly outcomes: readonly { readonly token: number; readonly outcome: TokenOutcome }[];
    }
  | { readonly type: "statistics"; readonly request: number; readonly counts: readonly number[] }
  | { readonly type: "log"; readonly level: number; readonly text: string };

/** What decoding gives: hostile bytes are a value, never an exception. */
export type Decoded<T> =
  | { readonly ok: true; readonly value: T }
  | { readonly ok: false; readonly fault: "unknown-type" | "malformed" };

export { decodeBridgeFrame, encodeBridgeFrame } from "./bridge-frame-codec.js";
export { decodeHostFrame, encodeHostFrame } from "./host-frame-codec.js";
