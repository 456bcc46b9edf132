import { Medium, presets, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { Endpoint } from "./endpoint.js";
import { seededRandom } from "./protocol/wired-pair.js";

const BOARDS = 20;

/** Pushes 12 kB to each of twenty boards at once. */
async function push(priority: "bulk" | "normal") {
  const clock = new VirtualClock();
  const medium = new Medium({ clock, ...presets.reference(), seed: 2 });
  const address = (board: number) => Uint8Array.of(2, 0, 0, 0, 0, board);
  const endpoints: Endpoint[] = [];
  for (let board = 0; board <= BOARDS; board++) {
    const link = medium.attach({ address: address(board) });
    const endpoint = await Endpoint.open({ link, clock, random: seededRandom(board) });
    endpoint.onMessage(() => {});
    endpoints.push(endpoint);
  }
  const gateway = endpoints[0] as Endpoint;
  let done = 0;
  for (let board = 1; board <= BOARDS; board++) {
    const sent = gateway.peer(address(board)).send(new Uint8Array(12_000), { priority });
    sent.then(() => done++).catch(() => {});
  }
  await clock.run({ until: () => done === BOARDS, untilUs: 60_000_000 });
  const { carried } = medium.statistics;
  const acks = gateway.reports().reduce((sum, { datagramsReceived }) => sum + datagramsReceived, 0);
  const elapsedUs = clock.nowUs();
  for (const endpoint of endpoints) await endpoint.close();
  return { done, datagrams: carried.datagrams, acks, elapsedUs };
}

describe("a push to many boards at once", () => {
  it.each(["bulk", "normal"] as const)("spends little air on acks (%s)", async (priority) => {
    const { done, datagrams, acks, elapsedUs } = await push(priority);
    expect(done).toBe(BOARDS);
    // 50 fragments for each board. With turns of one datagram there were as many acks.
    expect(acks).toBeLessThan(BOARDS * 8);
    expect(datagrams).toBeLessThan(BOARDS * 60);
    // 240,000 bytes at 86,326 bytes a second at most (250 bytes in 2,896 µs) are 2.78 s.
    expect(elapsedUs).toBeLessThan(3_100_000);
  });
});
