// Promise 7 of PROTOCOL.md, section 12: an unverified sender cannot make an endpoint send more than
// it sent, in bytes or in datagrams (4.3, 11).

import { Endpoint, type EndpointOptions } from "@fardel/core";
import { VirtualClock } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { Ask, Frame } from "../../packages/core/src/wire/index.js";
import { datagramOf, HandLink, HELLO } from "./hand-link.js";
import { bytesOf } from "./stage.js";

/** An endpoint, and a count of what one address has said and was sent. */
class Balance {
  readonly clock = new VirtualClock();
  readonly link = new HandLink(this.clock, 1500, 10);
  readonly #in = new Map<string, { bytes: number; datagrams: number }>();

  static async open(options: Partial<EndpointOptions> = {}): Promise<Balance> {
    const balance = new Balance();
    const { link, clock } = balance;
    let next = 7;
    const random = () => {
      next = (Math.imul(next, 1664525) + 1013904223) >>> 0;
      return next;
    };
    const endpoint = await Endpoint.open({ link, clock, random, ...options });
    endpoint.onMessage(() => {});
    return balance;
  }

  async hear(from: Uint8Array, datagram: Uint8Array, waitUs: number): Promise<void> {
    const count = this.#in.get(String(from)) ?? { bytes: 0, datagrams: 0 };
    this.#in.set(String(from), count);
    count.bytes += datagram.length;
    count.datagrams++;
    this.link.hear(from, datagram);
    await this.pass(waitUs);
    this.check();
  }

  async pass(durationUs: number): Promise<void> {
    await this.clock.run({ untilUs: this.clock.nowUs() + durationUs });
  }

  check(): void {
    const out = new Map<string, { bytes: number; datagrams: number }>();
    for (const { to, bytes } of this.link.handed) {
      const count = out.get(String(to)) ?? { bytes: 0, datagrams: 0 };
      out.set(String(to), count);
      count.bytes += bytes.length;
      count.datagrams++;
    }
    for (const [address, sent] of out) {
      const heard = this.#in.get(address) ?? { bytes: 0, datagrams: 0 };
      expect(sent.bytes).toBeLessThanOrEqual(heard.bytes);
      expect(sent.datagrams).toBeLessThanOrEqual(heard.datagrams);
    }
  }
}

const ADDRESS = Uint8Array.of(2, 0, 0, 0, 0, 66);
const MINUTE_US = 60_000_000;

const frame: fc.Arbitrary<Frame> = fc.oneof(
  fc.constant(HELLO),
  fc.record({
    type: fc.constant("data" as const),
    channel: fc.nat({ max: 15 }),
    fragment: fc.nat({ max: 0xffff }),
    first: fc.constant(true),
    last: fc.constant(true),
    total: fc.constant(0),
    crc32: fc.constant(0),
    bytes: fc.uint8Array({ maxLength: 40 }),
  }),
  fc.record({
    type: fc.constant("skip" as const),
    channel: fc.nat({ max: 15 }),
    next: fc.nat({ max: 0xffff }),
  }),
  fc.record({
    type: fc.constant("stop" as const),
    channel: fc.nat({ max: 15 }),
    first: fc.nat({ max: 0xffff }),
    reason: fc.nat({ max: 4 }),
  }),
  fc.record({ type: fc.constant("close" as const), reason: fc.nat({ max: 2 }) }),
);

/** A datagram with a good CRC from somebody who cannot know a token of ours. */
const forged = fc
  .record({
    tokenTo: fc.constantFrom(0, 0, 0, 99),
    tokenFrom: fc.constantFrom(1, 2, 3, 0xffff_ffff),
    add: fc.nat({ max: 20 }),
    ask: fc.constantFrom<Ask>(0, 1, 2, 3),
    frames: fc.array(frame, { maxLength: 4 }),
    short: fc.boolean(),
  })
  .map(({ tokenTo, tokenFrom, add, ask, frames, short }) =>
    datagramOf({ tokenTo, tokenFrom, number: (tokenFrom >>> 16) + add, ask, short }, frames),
  );

const hostile = fc.oneof(
  { weight: 5, arbitrary: forged },
  { weight: 1, arbitrary: fc.uint8Array({ maxLength: 60 }) },
);

describe("promise 7: no amplification", () => {
  it("whatever a stranger says, it is sent no more than it said, then or later", async () => {
    const plan = fc.array(
      fc.record({ datagram: hostile, waitUs: fc.constantFrom(0, 100, 30_000, 2_000_000) }),
      { minLength: 1, maxLength: 40 },
    );
    await fc.assert(
      fc.asyncProperty(plan, async (said) => {
        const balance = await Balance.open();
        for (const { datagram, waitUs } of said) await balance.hear(ADDRESS, datagram, waitUs);
        await balance.pass(2 * MINUTE_US);
        balance.check();
      }),
      { numRuns: 300 },
    );
  });

  it("also when the answer itself was wanted: requests are not answered on credit", async () => {
    const balance = await Balance.open();
    const small = datagramOf({ tokenTo: 0, tokenFrom: 5, number: 0, ask: 1 }, [HELLO]);
    for (let count = 0; count < 50; count++) await balance.hear(ADDRESS, small, 100_000);
    await balance.pass(5 * MINUTE_US);
    balance.check();
  });

  it("the same opening again and again is answered once", async () => {
    const balance = await Balance.open();
    const opening = datagramOf({ tokenTo: 0, tokenFrom: 5, number: 0, ask: 1 }, [
      HELLO,
      data(bytesOf(20)),
    ]);
    for (let count = 0; count < 100; count++) await balance.hear(ADDRESS, opening, 1000);
    await balance.pass(MINUTE_US);
    expect(balance.link.handed.length).toBe(1);
  });

  it("a spoofed address costs its owner no more than the spoofer spent", async () => {
    // One opening from each of many forged addresses: an answer each, not longer than the opening.
    const balance = await Balance.open();
    for (let index = 0; index < 300; index++) {
      const tokenFrom = 0x100_0000 + index * 0x10001;
      const head = { tokenTo: 0, tokenFrom, number: tokenFrom >>> 16, ask: 1 as const };
      const address = Uint8Array.of(2, 0, 0, 0, index >> 8, index);
      await balance.hear(address, datagramOf(head, [HELLO, data(bytesOf(9))]), 500);
    }
    await balance.pass(5 * MINUTE_US);
    balance.check();
    expect(balance.link.handed.length).toBeGreaterThan(250);
  });

  it("NO-SESSION is never longer than what it answers", async () => {
    const balance = await Balance.open();
    for (let pad = 0; pad < 30; pad++) {
      const frames: Frame[] = pad === 0 ? [] : [{ type: "close", reason: 0 }];
      const head = { tokenTo: 77, tokenFrom: 5, number: pad };
      await balance.hear(ADDRESS, datagramOf(head, frames), 1000);
    }
    expect(balance.link.handed.length).toBe(29);
    balance.check();
  });
});

function data(bytes: Uint8Array): Frame {
  const place = { channel: 0, fragment: 5, first: true, last: true, total: 0, crc32: 0 };
  return { type: "data", ...place, bytes };
}
