import { existsSync } from "node:fs";
import { join } from "node:path";
import { describe, expect, it } from "vitest";
import { CHANNEL_RANGES, wayOfChannel } from "../../packages/core/src/protocol/channels.js";
import { DEFAULT_CONFIG } from "../../packages/core/src/protocol/config.js";
import { STREAMS_WAITING_MAX } from "../../packages/core/src/protocol/peer-sink.js";
import { readDocument, root, table } from "./markdown.js";

const document = readDocument("packages/core/PROTOCOL.md");

/** `1048576` as `1 MiB`. */
function size(bytes: number): string {
  return bytes % 2 ** 20 === 0 ? `${bytes / 2 ** 20} MiB` : `${bytes / 2 ** 10} KiB`;
}

describe("PROTOCOL.md agrees with the code", () => {
  it("about the limits of section 11", () => {
    const config = DEFAULT_CONFIG;
    const expected: Record<string, string> = {
      window: `${config.window} fragments per channel`,
      message: size(config.messageBytesMax),
      "held per peer": size(config.peerBytesMax),
      "held in total": size(config.totalBytesMax),
      "held for strangers in total": size(config.strangerBytesMax),
      "unverified sessions": `${config.strangersMax}`,
      sessions: `${config.peersMax}`,
      "send queue per peer": `${size(config.sendQueueBytesMax)}, ${config.sendQueueMessagesMax} messages`,
      // These have no option.
      "streams not taken, per peer": `${STREAMS_WAITING_MAX}`,
      "LOOSE reassembly": "1 message per lane, 10 s",
    };
    const rows = table(document, "limit").map(([limit = "", value]) => [limit, value]);
    const optional = { "unread part of a stream": size(config.streamBytesMax) };
    expect(Object.fromEntries(rows)).toMatchObject(expected);
    for (const [limit = "", value] of rows) {
      expect({ ...expected, ...optional }[limit], `limit "${limit}"`).toBe(value);
    }
  });

  it("about the times and sizes it states in prose", () => {
    const { unreachableUs, ackDelayUs, firstRetryUs, retryUsMax, confirmDelayUs, linkDepth } =
      DEFAULT_CONFIG;
    const text = document.replace(/\s+/g, " ");
    expect(text).toContain(`If for ${unreachableUs / 1e6} s (default) nothing has been heard`);
    expect(text).toContain(`after ${ackDelayUs / 1e3} ms of silence`);
    expect(text).toContain(`else ${firstRetryUs / 1e3} ms.`);
    expect(text).toContain(`at most ${retryUsMax / 1e6} s, plus up to 1/8 at random`);
    expect(confirmDelayUs).toBe(1e6);
    expect(text).toContain("if one second after the answer no datagram");
    expect(text).toContain(`handed over before their outcomes are in`);
    expect(text).toContain(`at most the link depth (${linkDepth})`);
  });

  it("about the channels of section 5.1", () => {
    const named: Record<string, string> = {
      ordered: "reliable ordered",
      unordered: "reliable unordered",
      latest: "latest value",
    };
    const rows = table(document, "channel").map(([channel, way]) => [channel, way]);
    const expected = [
      ...(["ordered", "unordered", "latest"] as const).map((way) => {
        const { first, count } = CHANNEL_RANGES[way];
        return [`${first}–${first + count - 1}`, named[way]];
      }),
      [
        `${CHANNEL_RANGES.exchange.first}, ${CHANNEL_RANGES.exchange.first + 1}`,
        named[wayOfChannel(CHANNEL_RANGES.exchange.first)],
      ],
      [`LOOSE, lanes 0–${CHANNEL_RANGES.unacknowledged.count - 1}`, "unacknowledged"],
    ];
    expect(rows).toEqual(expected);
    expect(CHANNEL_RANGES.exchange.count).toBe(2);
  });

  it("about the promises: each is held by a test that exists", () => {
    const rows = table(document, "promise");
    expect(rows).toHaveLength(8);
    for (const [promise, , heldBy = ""] of rows) {
      const file = heldBy.replaceAll("`", "");
      expect(existsSync(join(root, file)), `promise ${promise}: ${file}`).toBe(true);
    }
  });
});
