import { describe, expect, it } from "vitest";
import {
  CHANNEL_COUNT,
  CHANNEL_RANGES,
  exchangeChannel,
  indexInWay,
  isExchange,
  wayOfChannel,
} from "./channels.js";

describe("channels", () => {
  it("are those of PROTOCOL.md, section 5.1", () => {
    const rows = Array.from({ length: CHANNEL_COUNT }, (_, channel) => [
      wayOfChannel(channel),
      indexInWay(channel),
      isExchange(channel),
    ]);
    expect(rows).toEqual([
      ...[0, 1, 2, 3, 4, 5].map((index) => ["ordered", index, false]),
      ...[0, 1, 2, 3].map((index) => ["unordered", index, false]),
      ...[0, 1, 2, 3].map((index) => ["latest", index, false]),
      ...[0, 1].map((index) => ["unordered", index, true]),
    ]);
    expect(CHANNEL_RANGES.unacknowledged).toEqual({ first: 0, count: 4 });
  });

  it("of requests: 15 for urgent ones, 14 for the others", () => {
    expect(exchangeChannel("urgent")).toBe(15);
    expect([exchangeChannel("normal"), exchangeChannel("bulk")]).toEqual([14, 14]);
  });
});
