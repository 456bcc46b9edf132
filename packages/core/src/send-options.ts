import { CHANNEL_RANGES, PRIORITY_RANK, type Priority, type Way } from "./protocol/channels.js";
import { invalidOption } from "./protocol/config.js";

/** How far a message has come. */
export interface Progress {
  /** Bytes that the peer has acknowledged. */
  readonly acknowledgedBytes: number;
  readonly totalBytes: number;
}

/** What is common to messages and requests. */
export interface DeliveryOptions {
  /** Default `normal`. Messages of different priority use different channels unless told otherwise. */
  readonly priority?: Priority;
  /** Time after which it fails with `deadline-passed`, milliseconds, above 0. Default 10 minutes. */
  readonly deadlineMs?: number;
  /** Aborting it ends the message with `aborted`, or with the signal's own reason as `cause`. */
  readonly signal?: AbortSignal;
  /** What to do if the peer loses the session while the message may have arrived. Default `report`. */
  readonly afterRestart?: "report" | "resend";
  /**
   * `handshake`: do not send it in the first datagram to a peer; a stale copy of that datagram
   * could reach the peer after a restart and be taken once more. Default `data`.
   */
  readonly firstContact?: "data" | "handshake";
  /** Called as the peer acknowledges parts of it. */
  readonly onProgress?: (progress: Progress) => void;
}

/** Options of {@link RemotePeer.send}. */
export interface SendOptions extends DeliveryOptions {
  /**
   * `ordered` (default): delivered in the order sent on this channel. `unordered`: as soon as it is
   * whole. `latest`: a newer message replaces an older one that is not yet delivered.
   * `unacknowledged`: sent once, never repeated.
   */
  readonly way?: Way;
  /**
   * Channel within the way: 0 to 5 for `ordered`, 0 to 3 for the others. Default: bulk 0, normal 1,
   * urgent 2, so that an urgent message never waits behind a blob.
   */
  readonly channel?: number;
}

export const DEADLINE_MS = 600_000;
/** Longest deadline, milliseconds: a year. */
const DEADLINE_MS_MAX = 31_536_000_000;

/** Wire channel, or lane, that the options mean. @throws {@link FardelError} `invalid-option` */
export function wireChannel(options: SendOptions): number {
  const way = options.way ?? "ordered";
  const range =
    Object.hasOwn(CHANNEL_RANGES, way) && way !== ("exchange" as Way)
      ? CHANNEL_RANGES[way]
      : undefined;
  if (!range)
    throw invalidOption(
      "way",
      `${String(way)} is not ordered, unordered, latest or unacknowledged`,
    );
  const index = options.channel ?? checkedRank(options.priority);
  if (!Number.isInteger(index) || index < 0 || index >= range.count) {
    throw invalidOption(
      "channel",
      `${index} is not 0 to ${range.count - 1}, the channels of ${way} messages`,
    );
  }
  return range.first + index;
}

export function checkedRank(priority: Priority = "normal"): number {
  const rank = Object.hasOwn(PRIORITY_RANK, priority) ? PRIORITY_RANK[priority] : undefined;
  if (rank === undefined)
    throw invalidOption("priority", `${String(priority)} is not bulk, normal or urgent`);
  return rank;
}

/** Instant of the deadline, microseconds. @throws {@link FardelError} `invalid-option` */
export function deadlineUs(deadlineMs: number = DEADLINE_MS, nowUs = 0): number {
  if (!(deadlineMs > 0 && deadlineMs <= DEADLINE_MS_MAX)) {
    throw invalidOption(
      "deadlineMs",
      `${deadlineMs} is not above 0 and at most ${DEADLINE_MS_MAX}`,
    );
  }
  return nowUs + Math.ceil(deadlineMs * 1000);
}
