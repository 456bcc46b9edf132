import type { Noise } from "./noisy-port.js";

/** What `bridge-process.ts` is started with. */
export interface BridgeProcessOptions {
  readonly path: string;
  readonly noise?: Noise;
  /** Text on the line, once, before the first answer. Each character is a byte. */
  readonly chatter?: string;
  /** What is behind the bridge: a simulated radio with one board in this process, or UDP (port 0: any). */
  readonly behind: { readonly loss: number } | { readonly udpPort: number };
}

/** What a test asks of it. */
export interface ToBridge {
  readonly type: "send";
  readonly bytes: number;
  readonly seed: number;
}

/** What it tells. */
export type FromBridge =
  /** `udpPort`: where its radio is bound, if that is UDP. */
  | { readonly type: "ready"; readonly udpPort?: number }
  | { readonly type: "received"; readonly bytes: number; readonly digest: string }
  | { readonly type: "sent"; readonly outcome: string };

/** A pseudo-terminal has no bit rate, but the bridge sends no faster than this. */
export const BIT_RATE = 921_600;
export const BRIDGE_ADDRESS = Uint8Array.of(2, 0, 0, 0, 0, 1);
export const BOARD_ADDRESS = Uint8Array.of(2, 0, 0, 0, 0, 2);
