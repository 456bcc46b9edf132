// Promise 5 of PROTOCOL.md, section 12: bounded memory, strangers get the least.

import { Endpoint, type EndpointOptions } from "@fardel/core";
import { VirtualClock } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { decodeHead, type Frame } from "../../packages/core/src/wire/index.js";
import { datagramOf, HandLink, HELLO } from "./hand-link.js";
import { bytesOf, Stage } from "./stage.js";

const TOKEN = 0x1234_5678;

/** An endpoint that nobody reads from, and a peer made by hand. */
class Victim {
  readonly clock = new VirtualClock();
  readonly link = new HandLink(this.clock, 1500, 10);
  endpoint!: Endpoint;
  #number = TOKEN >>> 16;
  #token = 0;

  static async open(options: Partial<EndpointOptions> = {}): Promise<Victim> {
    const victim = new Victim();
    const { link, clock } = victim;
    let next = 0x4000_0001;
    const random = () => {
      next = (Math.imul(next, 1664525) + 1013904223) >>> 0;
      return next;
    };
    victim.endpoint = await Endpoint.open({ link, clock, random, ...options });
    return victim;
  }

  address(index: number): Uint8Array {
    return Uint8Array.of(2, 9, index >> 24, index >> 16, index >> 8, index);
  }

  /** A first datagram from an address that was never heard. */
  knock(index: number, frames: readonly Frame[]): void {
    const head = { tokenTo: 0, tokenFrom: TOKEN + index, number: (TOKEN + index) >>> 16 };
    this.link.hear(this.address(index), datagramOf(head, [HELLO, ...frames]));
  }

  /** Open a session as address 0 and prove that we hear. */
  async meet(): Promise<void> {
    const head = { tokenTo: 0, tokenFrom: TOKEN, number: this.#number++, ask: 1 as const };
    this.link.hear(this.address(0), datagramOf(head, [HELLO]));
    await this.pass(0.1);
    const answer = this.link.handed.at(-1);
    const read = answer && decodeHead(answer.bytes);
    if (!read?.ok || read.value.form !== "long") throw new Error("No answer to an opening.");
    this.#token = read.value.tokenFrom;
    await this.say([]);
    expect(this.endpoint.reports()[0]?.isVerified).toBe(true);
  }

  async say(frames: readonly Frame[], ask: 0 | 1 = 1): Promise<void> {
    const number = this.#number++;
    const head = { tokenTo: this.#token, tokenFrom: TOKEN, number, ask };
    this.link.hear(this.address(0), datagramOf(head, frames));
    await this.pass(0.001);
  }

  async pass(seconds: number): Promise<void> {
    await this.clock.run({ untilUs: this.clock.nowUs() + Math.round(seconds * 1e6) });
  }
}

function fragment(channel: number, at: number, bytes: Uint8Array, kind = "middle"): Frame {
  return {
    type: "data",
    channel,
    fragment: (TOKEN + at) & 0xffff,
    first: kind === "first" || kind === "whole",
    last: kind === "last" || kind === "whole",
    total: 0,
    crc32: 0,
    bytes,
  };
}

const SMALL = {
  messageBytesMax: 2000,
  peerBytesMax: 5000,
  totalBytesMax: 9000,
  strangerBytesMax: 3000,
  strangersMax: 10,
  peersMax: 50,
};

describe("promise 5: bounded memory", () => {
  it("strangers together hold no more than their share, however many knock", async () => {
    const victim = await Victim.open(SMALL);
    for (let index = 1; index <= 1000; index++) {
      victim.knock(index, [fragment(6, index, bytesOf(200, index), "whole")]);
      expect(victim.endpoint.heldBytes).toBeLessThanOrEqual(SMALL.strangerBytesMax);
    }
    // At least the first ones were taken: the limit is a limit, not a wall.
    expect(victim.endpoint.heldBytes).toBeGreaterThan(SMALL.strangerBytesMax / 2);
    // And what it says it holds is what it holds: nothing waits for a reader beyond that.
    let readBytes = 0;
    void (async () => {
      for await (const { bytes } of victim.endpoint.messages()) readBytes += bytes.length + 64;
    })();
    await victim.pass(120);
    expect(readBytes).toBeLessThanOrEqual(SMALL.strangerBytesMax);
    expect(victim.endpoint.heldBytes).toBe(0);
    expect(victim.endpoint.reports().length).toBeLessThanOrEqual(SMALL.peersMax);
    expect(victim.clock.timerCount).toBeLessThan(20);
  });

  it("a stranger cannot begin a message of several fragments", async () => {
    const victim = await Victim.open();
    for (let index = 1; index <= 100; index++)
      victim.knock(index, [{ ...fragment(0, index, bytesOf(100), "first"), total: 1e9 } as Frame]);
    expect(victim.endpoint.heldBytes).toBe(0);
  });

  it("a gigabyte that is announced is refused before anything is held", async () => {
    const victim = await Victim.open();
    await victim.meet();
    for (let channel = 0; channel < 16; channel++) {
      const total = 1_000_000_000;
      await victim.say([{ ...fragment(channel, 0, bytesOf(100), "first"), total } as Frame]);
    }
    expect(victim.endpoint.heldBytes).toBe(0);
  });

  it("an announced message that fits is reserved at once, the next one waits", async () => {
    const victim = await Victim.open({ ...SMALL, messageBytesMax: 4000 });
    await victim.meet();
    await victim.say([{ ...fragment(0, 0, bytesOf(100), "first"), total: 4000 } as Frame]);
    const held = victim.endpoint.heldBytes;
    expect(held).toBeGreaterThanOrEqual(4000);
    await victim.say([{ ...fragment(1, 0, bytesOf(100), "first"), total: 4000 } as Frame]);
    expect(victim.endpoint.heldBytes).toBe(held);
  });

  it("half messages of a peer that has proved itself stay within its share", async () => {
    const victim = await Victim.open(SMALL);
    await victim.meet();
    for (let channel = 0; channel < 16; channel++) {
      for (let at = 1; at < 64; at++) {
        await victim.say([fragment(channel, at, bytesOf(300, at))]);
        expect(victim.endpoint.reports()[0]?.heldBytes).toBeLessThanOrEqual(SMALL.peerBytesMax);
      }
    }
  });

  it("whatever a peer says, in whatever order, it stays within its share", async () => {
    const kind = fc.constantFrom("first", "middle", "last", "whole");
    const data = fc.record({
      type: fc.constant("data" as const),
      channel: fc.nat({ max: 15 }),
      at: fc.nat({ max: 300 }),
      bytes: fc.integer({ min: 1, max: 400 }),
      total: fc.constantFrom(0, 1, 500, 2000, 1_000_000),
      kind,
    });
    const loose = fc.record({
      type: fc.constant("loose" as const),
      lane: fc.nat({ max: 3 }),
      id: fc.nat({ max: 3 }),
      index: fc.nat({ max: 126 }),
      bytes: fc.integer({ min: 1, max: 400 }),
    });
    const skip = fc.record({
      type: fc.constant("skip" as const),
      channel: fc.nat({ max: 15 }),
      at: fc.nat({ max: 300 }),
    });
    const plan = fc.array(fc.oneof({ weight: 6, arbitrary: data }, loose, skip), {
      minLength: 20,
      maxLength: 150,
    });
    const reads = fc.constantFrom("whole", "stream", "nothing" as const);
    await fc.assert(
      fc.asyncProperty(plan, reads, async (said, acceptance) => {
        const accept = acceptance === "stream" ? { accept: () => "stream" as const } : {};
        const victim = await Victim.open({ ...SMALL, ...accept, window: 255 });
        await victim.meet();
        for (const each of said) {
          await victim.say([frameOf(each)]);
          const { heldBytes } = victim.endpoint;
          expect(heldBytes).toBeGreaterThanOrEqual(0);
          expect(heldBytes).toBeLessThanOrEqual(SMALL.peerBytesMax);
          expect(victim.endpoint.reports()[0]?.heldBytes).toBe(heldBytes);
        }
        victim.endpoint.peer(victim.address(0)).close();
        await victim.pass(1);
      }),
      { numRuns: 60 },
    );
  });

  it("all peers together stay within the whole, and everything arrives in the end", async () => {
    const stage = await Stage.open({
      b: { messageBytesMax: 1500, peerBytesMax: 3000, totalBytesMax: 3200 },
    });
    // A reader that takes its time: one message each 20 ms.
    const b = await stage.boot("b", false);
    const got: number[] = [];
    void (async () => {
      for await (const { bytes } of b.messages()) {
        got.push(bytes.length);
        await stage.clock.delay(20_000);
      }
    })();
    const sendings = Array.from({ length: 40 }, (_, index) =>
      stage.send("a", bytesOf(1000 + index, index), { way: "unordered", channel: index % 4 }),
    );
    let most = 0;
    await stage.clock.run({
      untilUs: 600e6,
      until: () => {
        most = Math.max(most, b.heldBytes);
        return sendings.every(({ endedUs }) => endedUs >= 0);
      },
    });
    await stage.pass(2);
    expect(most).toBeGreaterThan(1500);
    expect(most).toBeLessThanOrEqual(3200);
    expect(got.sort((one, other) => one - other)).toEqual(sendings.map((_, index) => 1000 + index));
    expect(b.heldBytes).toBe(0);
  });
});

type Said =
  | {
      type: "data";
      channel: number;
      at: number;
      bytes: number;
      total: number;
      kind: string;
    }
  | { type: "loose"; lane: number; id: number; index: number; bytes: number }
  | { type: "skip"; channel: number; at: number };

function frameOf(said: Said): Frame {
  switch (said.type) {
    case "data": {
      const { channel, at, kind, total } = said;
      const frame = fragment(channel, at, bytesOf(said.bytes, at), kind);
      return { ...frame, total: kind === "first" ? total : 0 } as Frame;
    }
    case "loose": {
      const { lane, id, index } = said;
      const bytes = bytesOf(said.bytes, index);
      return { type: "loose", lane, fragmented: true, id, index, last: false, crc32: 0, bytes };
    }
    case "skip":
      return { type: "skip", channel: said.channel, next: (TOKEN + said.at) & 0xffff };
  }
}
