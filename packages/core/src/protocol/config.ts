import { FRAGMENT_WINDOW_MAX } from "./channels.js";
import { FardelError } from "./errors.js";
import type { MessageHead } from "./message-head.js";

/** What to do with a message that is about to arrive. */
export type Acceptance = "whole" | "stream" | "refuse";

/** Everything an owner can set; PROTOCOL.md, section 11, has the table. */
export interface ProtocolConfig {
  /** Fragments per channel taken beyond the first missing one, 1 to 255. When full: the peer waits. */
  window: number;
  /** Largest message taken whole, bytes. Beyond: refused, the sender is told. */
  messageBytesMax: number;
  /** Bytes held for one peer: parts of messages and messages not yet read. When full: its window closes. */
  peerBytesMax: number;
  /** Bytes held for all peers together. When full: windows close. */
  totalBytesMax: number;
  /** Bytes held for all unverified peers together, part of the total. When full: not taken, not acknowledged. */
  strangerBytesMax: number;
  /** Unverified sessions. When full: the oldest of them is forgotten. */
  strangersMax: number;
  /** Peers remembered. When full: the one idle for longest is forgotten; if all work, newcomers are ignored. */
  peersMax: number;
  /** Unread bytes of one stream. When full: the window of its channel closes. */
  streamBytesMax: number;
  /** Bytes waiting to be sent to one peer. When full: `queue-full`. */
  sendQueueBytesMax: number;
  /** Messages waiting to be sent to one peer. When full: `queue-full`. */
  sendQueueMessagesMax: number;
  /** Datagrams handed to the link before their outcomes are in; never more than the link allows. */
  linkDepth: number;
  /** Silence after which a peer that owes an ack is given up, microseconds. */
  unreachableUs: number;
  /** Silence after which an idle peer is asked for a sign of life, microseconds; 0: never. */
  keepAliveUs: number;
  /** First retry interval when no round trip is known, microseconds. */
  firstRetryUs: number;
  /** Longest retry interval, microseconds. */
  retryUsMax: number;
  /** Longest wait before an ack that nobody asked for, microseconds. */
  ackDelayUs: number;
  /** How long the opener waits before it confirms a session by itself, microseconds. */
  confirmDelayUs: number;
  /** Share of time on air allowed, above 0 to 1 (duty cycle). Needs a link that states its airtime. */
  airtimeShare: number;
  /** Decides about each message before any of it is held; without it all are taken whole. */
  accept: ((head: MessageHead) => Acceptance) | undefined;
}

const MIB = 1024 * 1024;

/** Defaults of PROTOCOL.md, section 11; a test compares the two. */
export const DEFAULT_CONFIG: Readonly<ProtocolConfig> = {
  window: 64,
  messageBytesMax: MIB,
  peerBytesMax: 2 * MIB,
  totalBytesMax: 64 * MIB,
  strangerBytesMax: 64 * 1024,
  strangersMax: 64,
  peersMax: 16384,
  streamBytesMax: 64 * 1024,
  sendQueueBytesMax: 4 * MIB,
  sendQueueMessagesMax: 4096,
  linkDepth: 2,
  unreachableUs: 30_000_000,
  keepAliveUs: 0,
  firstRetryUs: 50_000,
  retryUsMax: 5_000_000,
  ackDelayUs: 25_000,
  confirmDelayUs: 1_000_000,
  airtimeShare: 1,
  accept: undefined,
};

/** Charged for each message and each fragment held, besides its bytes, so that empty ones count too. */
export const HOLDING_BYTES = 64;

type Range = readonly [low: number, high: number];
const WHOLE: Range = [1, Number.MAX_SAFE_INTEGER];
const TIME: Range = [1, 86_400_000_000];

const RANGES: Readonly<Record<Exclude<keyof ProtocolConfig, "accept" | "airtimeShare">, Range>> = {
  window: [1, FRAGMENT_WINDOW_MAX],
  messageBytesMax: WHOLE,
  peerBytesMax: [1024, Number.MAX_SAFE_INTEGER],
  totalBytesMax: [1024, Number.MAX_SAFE_INTEGER],
  strangerBytesMax: [0, Number.MAX_SAFE_INTEGER],
  strangersMax: [1, 1_000_000],
  peersMax: [1, 10_000_000],
  streamBytesMax: [1024, Number.MAX_SAFE_INTEGER],
  sendQueueBytesMax: WHOLE,
  sendQueueMessagesMax: WHOLE,
  linkDepth: [1, 1024],
  unreachableUs: TIME,
  keepAliveUs: [0, 86_400_000_000],
  firstRetryUs: [1000, 60_000_000],
  retryUsMax: [1000, 3_600_000_000],
  ackDelayUs: TIME,
  confirmDelayUs: TIME,
};

/**
 * Fill in defaults and check every value.
 * @throws {@link FardelError} `invalid-option`, naming the option and what it allows.
 */
export function resolveConfig(given: Partial<ProtocolConfig>): ProtocolConfig {
  const config: ProtocolConfig = { ...DEFAULT_CONFIG };
  for (const [name, value] of Object.entries(given)) {
    if (!Object.hasOwn(DEFAULT_CONFIG, name)) throw invalidOption(name, "there is no such option");
    if (value !== undefined) Object.assign(config, { [name]: value });
  }
  for (const [name, [low, high]] of Object.entries(RANGES)) {
    const value = config[name as keyof typeof RANGES];
    if (!Number.isInteger(value) || value < low || value > high) {
      throw invalidOption(name, `${value} is not a whole number from ${low} to ${high}`);
    }
  }
  if (!(config.airtimeShare > 0 && config.airtimeShare <= 1)) {
    throw invalidOption("airtimeShare", `${config.airtimeShare} is not above 0 and at most 1`);
  }
  const reserved = config.messageBytesMax + HOLDING_BYTES;
  if (reserved > config.peerBytesMax || config.peerBytesMax > config.totalBytesMax) {
    throw invalidOption(
      "messageBytesMax",
      `a message and ${HOLDING_BYTES} bytes must fit in peerBytesMax, and that in totalBytesMax`,
    );
  }
  return config;
}

export function invalidOption(name: string, why: string): FardelError {
  return new FardelError("invalid-option", `Option ${name}: ${why}.`);
}
