/** How a message travels; PROTOCOL.md, section 5.1. */
export type Way = "ordered" | "unordered" | "latest" | "unacknowledged";

/** What goes first when several messages wait; section 9. */
export type Priority = "bulk" | "normal" | "urgent";

export const CHANNEL_COUNT = 16;
export const FRAGMENT_WINDOW_MAX = 255;

/** First wire channel of each way and how many there are; section 5.1. */
export const CHANNEL_RANGES = {
  ordered: { first: 0, count: 6 },
  unordered: { first: 6, count: 4 },
  latest: { first: 10, count: 4 },
  exchange: { first: 14, count: 2 },
  unacknowledged: { first: 0, count: 4 },
} as const;

/** Rank of a priority: 0 goes last. Also the default channel within a way. */
export const PRIORITY_RANK: Readonly<Record<Priority, number>> = { bulk: 0, normal: 1, urgent: 2 };

/** Channel of the requests and replies of a priority; section 5.6. */
export function exchangeChannel(priority: Priority): number {
  return CHANNEL_RANGES.exchange.first + (priority === "urgent" ? 1 : 0);
}

export function isExchange(channel: number): boolean {
  return channel >= CHANNEL_RANGES.exchange.first;
}

/** Reliable way of a wire channel, 0 to 15. */
export function wayOfChannel(channel: number): Exclude<Way, "unacknowledged"> {
  if (channel < CHANNEL_RANGES.unordered.first) return "ordered";
  if (channel < CHANNEL_RANGES.latest.first || isExchange(channel)) return "unordered";
  return "latest";
}

/** Number of a wire channel within its way, as the API counts them. */
export function indexInWay(channel: number): number {
  return isExchange(channel)
    ? channel - CHANNEL_RANGES.exchange.first
    : channel - CHANNEL_RANGES[wayOfChannel(channel)].first;
}
