// A hundred thousand strangers, each with an address of its own (PROTOCOL.md, sections 4.3 and 11).

import { describe, expect, it } from "vitest";
import { bytesOf, data, forge, HELLO, strangerAddress } from "./forge.js";
import { HandVictim } from "./hand-victim.js";
import { Limits } from "./limits.js";

const STRANGERS = 100_000;
const LIMITS = { strangersMax: 64, strangerBytesMax: 16_384 };

describe("a crowd of strangers", () => {
  it("costs an endpoint no more than 64 of them, and gets no more than it gave", async () => {
    const victim = await HandVictim.open({ ...LIMITS, sendUs: 10 });
    const limits = new Limits(victim.endpoint, LIMITS);
    const good = await victim.meet(Uint8Array.of(2, 0, 0, 0, 0, 2));
    const message = bytesOf(20);
    for (let index = 1; index <= STRANGERS; index++) {
      const token = 0x0001_0000 + index * 7;
      const head = { tokenTo: 0, tokenFrom: token, number: token >>> 16, ask: 1 as const };
      const frames = index % 2 ? [HELLO, data(0, token, "whole", message)] : [HELLO];
      victim.hear(strangerAddress(index), forge(head, frames));
      victim.clock.runSync(victim.clock.nowUs() + 20);
      limits.check();
      if (index % 1000 !== 0) continue;
      limits.checkAll();
      // Everybody has been answered by then; what is kept here is not what is tested.
      victim.clock.runSync(victim.clock.nowUs() + 1000);
      victim.sent.length = 0;
      victim.accounts.keepOnly(victim.endpoint.reports().map(({ address }) => address));
    }
    expect(limits.strangersMax).toBe(LIMITS.strangersMax);
    // Their messages lie unread; also those of strangers that have been forgotten count.
    expect(limits.heldBytesMax).toBeGreaterThan(LIMITS.strangerBytesMax / 2);
    expect(limits.heldBytesMax).toBeLessThanOrEqual(LIMITS.strangerBytesMax);
    expect(victim.accounts.worstRatio).toBeLessThanOrEqual(1);
    // The answers did go out: nothing was kept small by silence.
    expect(victim.accounts.datagramsOut).toBeGreaterThan(STRANGERS / 2);
    // One that was known before all of them is known still.
    await victim.take(good.say([], { ask: 1 }));
    expect(victim.endpoint.peer(good.address).report()).toMatchObject({
      phase: "open",
      sessions: 1,
    });
    void readAll(victim);
    await victim.pass(130);
    expect(victim.endpoint.heldBytes).toBe(0);
    expect(victim.clock.timerCount).toBe(0);
  });
});

async function readAll({ endpoint }: HandVictim): Promise<void> {
  for await (const message of endpoint.messages()) expect(message.bytes.length).toBe(20);
}
