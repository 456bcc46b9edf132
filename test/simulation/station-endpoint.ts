import {
  Endpoint,
  type EndpointOptions,
  type IncomingStream,
  type PeerReport,
  type SendOptions,
  type SessionEnd,
  type Way,
} from "@fardel/core";
import type { BoardKeys } from "../../packages/board-c/test/board-endpoint.js";
import type { StationPlan } from "./scenario.js";

/** The other end, as a station talks to it. */
export interface StationPeer {
  readonly address: Uint8Array;
  send(
    bytes: Uint8Array,
    options: SendOptions,
  ): Promise<{ outcome: "delivered" | "replaced" | "sent" }>;
  request(bytes: Uint8Array, options: SendOptions): Promise<Uint8Array>;
  report(): Pick<PeerReport, "phase" | "isVerified"> | undefined;
  close(): void;
}

export interface StationMessage {
  readonly peer: { readonly address: Uint8Array };
  readonly bytes: Uint8Array;
  readonly way: Way;
  readonly channel: number;
}

export interface StationRequest {
  readonly peer: { readonly address: Uint8Array };
  readonly bytes: Uint8Array;
  reply(bytes: Uint8Array): Promise<unknown>;
  fail(text: string): Promise<unknown>;
}

/** What a station has of an endpoint, whatever it is written in. */
export interface StationEndpoint {
  /** Bytes, or anything else that is 0 if nothing is held. */
  readonly heldBytes: number;
  peer(address: Uint8Array): StationPeer;
  reports(): readonly Pick<PeerReport, "heldBytes" | "queuedBytes" | "queuedMessages">[];
  on(
    type: "session-ended",
    listener: (event: {
      readonly peer: { readonly address: Uint8Array };
      readonly why: SessionEnd;
    }) => void,
  ): unknown;
  onMessage(handler: (message: StationMessage) => void): void;
  messages(): AsyncIterable<StationMessage>;
  requests(): AsyncIterable<StationRequest>;
  streams(): AsyncIterable<IncomingStream>;
  close(): Promise<void>;
}

/** What a station gives its endpoint, whatever that is written in. */
export interface StationEndpointOptions {
  /** All options of an endpoint in TypeScript. */
  readonly typescript: EndpointOptions;
  readonly index: number;
  readonly boot: number;
  readonly plan: StationPlan;
  readonly seed: number;
  /** If sessions are protected: the keys, for an endpoint in C. */
  readonly boardKeys?: BoardKeys;
  /** What broke in code that nobody waits for. */
  fail(error: unknown): void;
  /** The same number, 0 to 1, for the same label and values. */
  shareOf(label: string, ...values: readonly number[]): number;
  /** Its application leaves a message that begins so. */
  noteLeftUnread(start: Uint8Array): void;
}

/** Opens what a station runs. */
export type OpenEndpoint = (options: StationEndpointOptions) => Promise<StationEndpoint>;

/** The endpoint in TypeScript. */
export const openTypeScript: OpenEndpoint = ({ typescript }) => Endpoint.open(typescript);
