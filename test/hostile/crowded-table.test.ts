// Who has to go when there is no room for all (PROTOCOL.md, section 11).

import { describe, expect, it } from "vitest";
import { ack, bytesOf, forge, HELLO, strangerAddress } from "./forge.js";
import { HandVictim } from "./hand-victim.js";
import { usedBytes } from "./used-bytes.js";

describe("who is forgotten when the table is full", () => {
  it("the one that has been silent for longest", async () => {
    const victim = await HandVictim.open({ peersMax: 10, strangersMax: 5 });
    const peers = [];
    for (let index = 1; index <= 10; index++) peers.push(await victim.meet(strangerAddress(index)));
    await victim.pass(3600);
    const [first, second] = peers;
    if (!first || !second) throw new Error("There are ten.");
    await victim.take(first.say([], { ask: 1 }));
    victim.hear(strangerAddress(99), forge({ tokenTo: 0, tokenFrom: 5, number: 0 }, [HELLO]));
    expect(victim.endpoint.peer(first.address).report()?.phase).toBe("open");
    expect(victim.endpoint.peer(second.address).report()).toBeUndefined();
  });

  it("a stranger for a stranger, and nobody who is known", async () => {
    const victim = await HandVictim.open({ peersMax: 10, strangersMax: 5 });
    const known = [];
    for (let index = 1; index <= 9; index++) known.push(await victim.meet(strangerAddress(index)));
    for (let index = 20; index < 60; index++)
      victim.hear(
        strangerAddress(index),
        forge({ tokenTo: 0, tokenFrom: index, number: 0 }, [HELLO]),
      );
    for (const { address } of known)
      expect(victim.endpoint.peer(address).report()?.phase).toBe("open");
  });

  it("not one with a stream or a request under way", async () => {
    const victim = await HandVictim.open({ peersMax: 3, strangersMax: 3, accept: () => "stream" });
    const ends: string[] = [];
    // The application takes every stream at once, and reads each on its own.
    void (async () => {
      for await (const stream of victim.endpoint.streams())
        readAll(stream).catch(() => ends.push("stream"));
    })();
    const sender = await victim.meet(strangerAddress(1));
    await victim.take(sender.say([sender.fragment(0, 0, "first", bytesOf(100), { total: 1000 })]));
    const answerer = await victim.meet(strangerAddress(2));
    victim.endpoint
      .peer(answerer.address)
      .request(bytesOf(4), { deadlineMs: 60_000 })
      .catch(() => ends.push("request"));
    await victim.pass(0.005);
    await victim.take(
      answerer.say([ack(14, answerer.heardLow, answerer.victimToken + 1, { prompt: true })]),
    );
    // Newcomers who prove themselves: strangers would only take the place of strangers.
    for (let index = 20; index < 30; index++) await victim.meet(strangerAddress(index));
    expect(ends).toEqual([]);
  });
});

describe("strangers while the link is busy", () => {
  it("leave nothing behind in what waits to be sent", async () => {
    const victim = await HandVictim.open({ sendUs: Number.POSITIVE_INFINITY });
    const strangers = 20_000;
    const knock = (index: number) => {
      const head = { tokenTo: 0, tokenFrom: index, number: index >>> 16, ask: 1 as const };
      victim.hear(strangerAddress(index), forge(head, [HELLO]));
      victim.accounts.keepOnly([]);
    };
    for (let index = 1; index <= 500; index++) knock(index);
    const before = usedBytes();
    for (let index = 501; index <= 500 + strangers; index++) knock(index);
    // Each one that stays weighs more than 4000 bytes.
    expect((usedBytes() - before) / strangers).toBeLessThan(500);
    expect(victim.endpoint.reports().length).toBeLessThanOrEqual(65);
  });
});

async function readAll(stream: AsyncIterable<Uint8Array>): Promise<void> {
  for await (const piece of stream) expect(piece.length).toBeGreaterThan(0);
}
