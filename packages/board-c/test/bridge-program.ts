import type { Framing } from "../../serial-bridge/src/frame-reader.js";

/** What `harness/bridge-harness.c` calls back for. */
export const TOLD = {
  transmit: 1,
  putIn: 2,
  putOut: 3,
  channel: 4,
  line: 5,
  body: 6,
  counts: 7,
  text: 8,
} as const;

/** Numbers of bridge.h. */
export const C = {
  ok: 0,
  invalid: -1,
  noMemory: -2,
  sent: 1,
  acknowledged: 2,
  notAcknowledged: 3,
  unknown: 6,
  notTaken: 7,
  channelSet: 0,
  channelNotAllowed: 1,
  channelLater: 2,
  canBroadcast: 1,
  tellsAcknowledgement: 4,
  rssiUnknown: -128,
  countOfCounts: 13,
  pollUsMax: 900_000_000,
} as const;

/** The config of a bridge in C. */
export interface BridgeConfig {
  readonly airtimePerByteNs: number;
  readonly airtimeFixedUs: number;
  readonly mtuBytes: number;
  readonly textBytes: number;
  readonly queue: number;
  readonly heard: number;
  readonly peers: number;
  readonly radioDepth: number;
  readonly channel: number;
  readonly abilities: number;
  readonly framing: Framing;
  readonly canSetChannel: boolean;
  readonly address: Uint8Array;
  readonly name: string;
}

/** As the harness reads it. */
export function configBytes(config: BridgeConfig): Uint8Array {
  const name = new TextEncoder().encode(config.name);
  const { address } = config;
  const fields = [
    config.airtimePerByteNs,
    config.airtimeFixedUs,
    config.mtuBytes,
    config.textBytes,
    address.length,
    config.queue,
    config.heard,
    config.peers,
    config.radioDepth,
    config.channel,
    config.abilities,
    config.framing === "slip" ? 1 : 0,
    config.canSetChannel ? 1 : 0,
  ];
  const bytes = new Uint8Array(4 * fields.length + address.length + name.length);
  const view = new DataView(bytes.buffer);
  for (const [index, field] of fields.entries()) view.setUint32(4 * index, field);
  bytes.set(address, 4 * fields.length);
  bytes.set(name, 4 * fields.length + address.length);
  return bytes;
}
