import { describe, expect, it } from "vitest";
import { lacksCommands } from "../system-commands.js";
import type { BoardsMode } from "./board-plan.js";
import { runSeed } from "./run.js";

/** Far more than any of them needs. */
const DATAGRAMS_MAX = 50_000;

/** Seeds that have once shown a fault of the endpoint in C, and which. */
const KEPT: readonly (readonly [mode: BoardsMode, seed: number, what: string])[] = [
  ["ts-c", 19, "a CRC-32 alone in the last fragment, behind one that is not full"],
  ["ts-c", 69, "the same of an unacknowledged message"],
  ["ts-c", 3433, "a reply that the bytes of an unverified peer do not cover"],
  ["ts-c", 3897, "the long form on a link that has no room for it"],
  ["ts-c", 3682, "a message that is refused after all of it was acknowledged"],
  ["ts-c", 3133, "a message too large that waits behind a gap"],
  ["ts-c", 5553, "what was given up behind something that is still under way"],
  ["c-c", 38, "no room for an ack beside HELLO"],
  ["c-c", 49, "the MTU in the opening of a candidate"],
  ["c-c", 22185, "a reply to a peer that never speaks again"],
  ["c-c", 64560, "a closed window that nobody asks about"],
  ["c-c", 401364, "a busy application that goes on, and a session that ends a minute later"],
  ["c-c", 502880, "a closed window that is asked about each millisecond"],
  [
    "c-c",
    601968,
    "a round trip that is never measured, for it is longer than the time between questions",
  ],
  ["c-c", 607446, "an unacknowledged message that is too large for the peer"],
  ["ts-c", 73140, "an application that becomes busy as a session ends"],
];

describe.skipIf(lacksCommands("clang", "wasm-ld"))("boards keep all promises now", () => {
  it.each(KEPT)("%s with seed %i: %s", async (boards, seed) => {
    const { messages, datagrams } = await runSeed(seed, { boards });
    expect(messages).toBeGreaterThan(0);
    expect(datagrams).toBeLessThan(DATAGRAMS_MAX);
  });
});
