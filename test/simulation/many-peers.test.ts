import { Endpoint } from "@fardel/core";
import { Medium, presets, VirtualClock } from "@fardel/lossy-link";
import { expect, it } from "vitest";
import { seededRandom } from "../../packages/core/src/protocol/wired-pair.js";

const BOARDS = 1000;

/** 02:00:00:00:hi:lo, locally administered (IEEE 802). */
function address(board: number): Uint8Array {
  return Uint8Array.of(2, 0, 0, 0, board >>> 8, board);
}

it("a thousand boards on one gateway: each gets its table, each reading comes back, none is left over", async () => {
  const clock = new VirtualClock();
  const medium = new Medium({ ...presets.reference(), clock, seed: 7, loss: 0.1 });
  const gatewayAddress = address(0xffff);
  const link = medium.attach({ address: gatewayAddress });
  const gateway = await Endpoint.open({ link, clock, random: seededRandom(1) });
  const readings = new Map<number, number>();
  gateway.onMessage(({ peer, bytes }) => {
    const board = ((peer.address[4] as number) << 8) | (peer.address[5] as number);
    readings.set(board, (readings.get(board) ?? 0) + 1);
    expect(bytes).toEqual(Uint8Array.of(board >>> 8, board & 0xff));
  });
  const tables = new Map<number, number>();
  const sent: Promise<unknown>[] = [];
  for (let board = 0; board < BOARDS; board++) {
    const random = seededRandom(10 + board);
    const station = await Endpoint.open({
      link: medium.attach({ address: address(board) }),
      clock,
      random,
    });
    station.onMessage(({ bytes }) => {
      tables.set(board, (tables.get(board) ?? 0) + 1);
      expect(bytes.length).toBe(300 + board);
    });
    const reading = Uint8Array.of(board >>> 8, board & 0xff);
    sent.push(station.peer(gatewayAddress).send(reading, { way: "unordered" }));
    sent.push(gateway.peer(address(board)).send(new Uint8Array(300 + board), { priority: "bulk" }));
  }
  const receipts = Promise.all(sent);
  let isDone = false;
  const mark = () => {
    isDone = true;
  };
  receipts.then(mark, mark);
  await clock.run({ until: () => isDone, untilUs: 600_000_000 });
  expect(await receipts).toHaveLength(2 * BOARDS);
  expect([...readings.values()]).toEqual(new Array(BOARDS).fill(1));
  expect([...tables.values()]).toEqual(new Array(BOARDS).fill(1));
  // Idle peers run no timer, and nothing is held for them.
  expect(await clock.run({ untilUs: clock.nowUs() + 60_000_000 })).toBe("idle");
  expect(gateway.reports()).toHaveLength(BOARDS);
  expect(gateway.heldBytes).toBe(0);
});
