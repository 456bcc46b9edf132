import { describe, expect, it } from "vitest";
import { FardelError } from "./protocol/errors.js";
import { checkedRank, deadlineUs, type SendOptions, wireChannel } from "./send-options.js";

function refusal(run: () => unknown): string {
  try {
    run();
  } catch (error) {
    if (error instanceof FardelError && error.code === "invalid-option") return error.message;
    throw error;
  }
  return expect.fail("nothing was refused");
}

describe("send options", () => {
  it("choose the wire channel by way and channel, by priority if no channel is given", () => {
    const table: [SendOptions, number][] = [
      [{}, 1],
      [{ priority: "bulk" }, 0],
      [{ priority: "urgent" }, 2],
      [{ channel: 5 }, 5],
      [{ channel: 5, priority: "urgent" }, 5],
      [{ way: "unordered" }, 7],
      [{ way: "unordered", channel: 3 }, 9],
      [{ way: "latest", priority: "bulk" }, 10],
      [{ way: "latest", channel: 3 }, 13],
      [{ way: "unacknowledged" }, 1],
      [{ way: "unacknowledged", channel: 0 }, 0],
    ];
    for (const [options, channel] of table) expect(wireChannel(options)).toBe(channel);
  });

  it("name what is wrong, and what is allowed", () => {
    const bad = (options: object) => refusal(() => wireChannel(options as SendOptions));
    expect(bad({ channel: 6 })).toMatch(/channel: 6 is not 0 to 5/);
    expect(bad({ channel: -1 })).toContain("channel");
    expect(bad({ channel: 1.5 })).toContain("channel");
    expect(bad({ way: "latest", channel: 4 })).toMatch(/0 to 3/);
    for (const way of ["exchange", "toString", "", 7]) expect(bad({ way })).toContain("way");
    for (const priority of ["low", "constructor", 2])
      expect(bad({ priority })).toContain("priority");
    expect(refusal(() => checkedRank("later" as never))).toContain("priority");
  });

  it("make an instant of a deadline: 10 minutes if none is given, a year at most", () => {
    expect(deadlineUs(undefined, 5)).toBe(600_000_005);
    expect(deadlineUs(0.0001, 0)).toBe(1);
    expect(deadlineUs(1.5, 100)).toBe(1600);
    expect(deadlineUs(31_536_000_000, 0)).toBe(31_536_000_000_000);
    for (const ms of [0, -1, Number.NaN, Number.POSITIVE_INFINITY, 31_536_000_001])
      expect(refusal(() => deadlineUs(ms as number))).toContain("deadlineMs");
  });
});
