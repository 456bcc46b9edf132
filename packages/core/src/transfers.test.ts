import { lossyPair, presets, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { Endpoint } from "./endpoint.js";
import { seededRandom } from "./protocol/wired-pair.js";

async function stage() {
  const clock = new VirtualClock();
  const pair = lossyPair({ ...presets.reference(), clock, loss: 0.2, seed: 3 });
  const gateway = await Endpoint.open({ link: pair.a, clock, random: seededRandom(1) });
  const board = await Endpoint.open({ link: pair.b, clock, random: seededRandom(2) });
  board.onMessage(() => {});
  return { clock, gateway, board, toBoard: gateway.peer(pair.b.localAddress), pair };
}

describe("Endpoint.transfers", () => {
  it("tells what is under way at both ends, and how far it is", async () => {
    const { clock, gateway, board, toBoard, pair } = await stage();
    expect(gateway.transfers()).toEqual([]);
    const sending = toBoard.send(new Uint8Array(20_000), { priority: "bulk" });
    const second = toBoard.send(new Uint8Array(300), { priority: "bulk" });
    void toBoard.send(new Uint8Array(50), { way: "unacknowledged" });
    let isDone = false;
    void Promise.all([sending, second]).then(() => {
      isDone = true;
    });
    let last = { sent: 0, received: 0 };
    let looks = 0;
    for (let atUs = 10_000; !isDone && atUs < 10_000_000; atUs += 10_000) {
      await clock.run({ untilUs: atUs });
      const [first, waiting, ...others] = gateway.transfers();
      if (first?.totalBytes !== 20_000) continue;
      expect(others).toEqual([]);
      if (waiting) expect(waiting).toMatchObject({ direction: "sending", totalBytes: 300 });
      expect(first).toMatchObject({ direction: "sending", way: "ordered", channel: 0 });
      expect(first.peer).toEqual(pair.b.localAddress);
      const [arriving] = board.transfers();
      if (!arriving) continue;
      looks++;
      expect(arriving).toMatchObject({
        direction: "receiving",
        way: "ordered",
        totalBytes: 20_000,
      });
      expect(first.doneBytes).toBeGreaterThanOrEqual(last.sent);
      expect(arriving.doneBytes).toBeGreaterThanOrEqual(last.received);
      last = { sent: first.doneBytes, received: arriving.doneBytes };
    }
    expect(looks).toBeGreaterThan(10);
    expect(last.sent).toBeGreaterThan(10_000);
    expect(last.received).toBeGreaterThan(10_000);
    expect(isDone).toBe(true);
    expect([gateway.transfers(), board.transfers()]).toEqual([[], []]);
    await gateway.close();
    await board.close();
  });

  it("leaves out what is beyond the number asked for", async () => {
    const { gateway, board, toBoard } = await stage();
    for (let count = 0; count < 5; count++) toBoard.send(new Uint8Array(9)).catch(() => {});
    expect(gateway.transfers()).toHaveLength(5);
    expect(gateway.transfers(2)).toHaveLength(2);
    await gateway.close();
    await board.close();
    expect(gateway.transfers()).toEqual([]);
  });
});
