import { Medium, presets, VirtualClock } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { Endpoint } from "./endpoint.js";
import type { SendOutcome } from "./link.js";
import { Protocol } from "./protocol/protocol.js";
import { SESSIONLESS_KIND } from "./sessionless.js";
import { ByteWriter } from "./wire/byte-writer.js";
import { encodeSessionless, isSessionlessSound } from "./wire/sessionless-datagram.js";

const ADDRESSES = [10, 11, 12].map((last) => Uint8Array.of(2, 0, 0, 0, 0, last));

async function openThree(settings: object = {}) {
  const clock = new VirtualClock();
  const medium = new Medium({ ...presets.reference(), clock, seed: 3, ...settings });
  const links = ADDRESSES.map((address) => medium.attach({ address }));
  const endpoints = [];
  for (const link of links) endpoints.push(await Endpoint.open({ link, clock }));
  return { clock, medium, links, endpoints: endpoints as [Endpoint, Endpoint, Endpoint] };
}

describe("datagrams without session", () => {
  it("reach whoever listens for their kind, with what the link knows", async () => {
    const { clock, endpoints } = await openThree();
    const heard: string[] = [];
    for (const [at, endpoint] of endpoints.entries())
      endpoint.sessionless(SESSIONLESS_KIND.announce, (from, body) =>
        heard.push(`${at} ${from.at(-1)} ${body}`),
      );
    endpoints[1].sessionless(SESSIONLESS_KIND.query, () => heard.push("query"));
    const { broadcastAddress, send, bodyBytesMax } = endpoints[0].sessionless(1, () => {});
    expect(bodyBytesMax).toBe(246);
    let outcome: SendOutcome | undefined;
    void send(broadcastAddress as Uint8Array, Uint8Array.of(1, 2, 3)).then((told) => {
      outcome = told;
    });
    await clock.run({ untilUs: clock.nowUs() + 100_000 });
    expect(heard).toEqual(["1 10 1,2,3", "2 10 1,2,3"]);
    expect(outcome).toBe("sent");
    expect(endpoints[1].counts.sessionlessDatagrams).toBe(1);
    expect(endpoints[1].reports()).toEqual([]);
  });

  it("are heard no more after close, and by each listener of two", async () => {
    const { clock, endpoints } = await openThree();
    let count = 0;
    const one = endpoints[1].sessionless(3, () => count++);
    const two = endpoints[1].sessionless(3, () => count++);
    const { send } = endpoints[0].sessionless(3, () => {});
    void send(ADDRESSES[1]!, new Uint8Array(0));
    await clock.run({ untilUs: clock.nowUs() + 100_000 });
    expect(count).toBe(2);
    one.close();
    void send(ADDRESSES[1]!, new Uint8Array(0));
    await clock.run({ untilUs: clock.nowUs() + 100_000 });
    expect(count).toBe(3);
    two.close();
    void send(ADDRESSES[1]!, new Uint8Array(0));
    await clock.run({ untilUs: clock.nowUs() + 100_000 });
    expect(count).toBe(3);
    expect(endpoints[1].counts.sessionlessDatagrams).toBe(3);
  });

  it("wait for the link in bounded number, and end as gone with the endpoint", async () => {
    const { clock, endpoints } = await openThree();
    const { send } = endpoints[0].sessionless(1, () => {});
    const outcomes: Promise<SendOutcome>[] = [];
    for (let i = 0; i < 20; i++) outcomes.push(send(ADDRESSES[1]!, Uint8Array.of(i)));
    await endpoints[0].close();
    await clock.run({ untilUs: clock.nowUs() + 1_000_000 });
    const told = await Promise.all(outcomes);
    expect(told.slice(16)).toEqual(["refused", "refused", "refused", "refused"]);
    expect(new Set(told.slice(0, 16))).toEqual(new Set(["gone"]));
    await expect(send(ADDRESSES[1]!, new Uint8Array(0))).rejects.toMatchObject({
      code: "endpoint-closed",
    });
  });

  it("go out beside sessions, which go on", async () => {
    const { clock, endpoints } = await openThree({ loss: 0.1 });
    const heard: number[] = [];
    endpoints[1].sessionless(2, (_from, body) => heard.push(body[0]!));
    let arrived = 0;
    endpoints[1].onMessage(({ bytes }) => {
      arrived = bytes.length;
    });
    void endpoints[0].peer(ADDRESSES[1]!).send(new Uint8Array(100_000), { priority: "urgent" });
    const { send } = endpoints[0].sessionless(2, () => {});
    let sent = 0;
    void (async () => {
      for (let i = 0; i < 10; i++) {
        await send(ADDRESSES[1]!, Uint8Array.of(i));
        sent++;
      }
    })();
    await clock.run({ untilUs: clock.nowUs() + 100_000 });
    // Not behind the blob, which takes longer than that.
    expect(sent).toBe(10);
    expect(arrived).toBe(0);
    await clock.run({ until: () => arrived === 100_000 });
    expect(heard.length).toBeGreaterThan(4);
  });

  it("refuse what does not fit, and kinds that there are none of", async () => {
    const { endpoints } = await openThree();
    const { send } = endpoints[0].sessionless(1, () => {});
    await expect(send(ADDRESSES[1]!, new Uint8Array(247))).rejects.toMatchObject({
      code: "message-too-large",
    });
    expect(() => endpoints[0].sessionless(0, () => {})).toThrow(/kind/);
    expect(() => endpoints[0].sessionless(256, () => {})).toThrow(/kind/);
  });

  it("are dropped when damaged: every damage of up to three bits of a short one", () => {
    const out = new ByteWriter(new Uint8Array(16));
    encodeSessionless(out, 2, Uint8Array.of(0xa5, 0, 0x5a));
    const good = out.bytes.subarray(0, out.at);
    expect(isSessionlessSound(good)).toBe(true);
    const bits = good.length * 8;
    for (let a = 0; a < bits; a++)
      for (let b = a; b < bits; b++)
        for (let c = b; c < bits; c++) {
          const damaged = good.slice();
          for (const bit of new Set([a, b, c])) damaged[bit >> 3]! ^= 1 << (bit & 7);
          expect(isSessionlessSound(damaged)).toBe(false);
        }
  });

  it("never throw, whatever bytes come, and make nobody a peer", () => {
    const protocol = new Protocol({}, { mtuBytes: 250, random: () => 1 });
    protocol.sessionlessKinds.add(1);
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 300 }), (bytes) => {
        protocol.handleDatagram(ADDRESSES[0]!, Uint8Array.of(0x60, ...bytes), {}, 0);
        expect(protocol.pollTransmit(new Uint8Array(250), 0)).toBeUndefined();
        expect([...protocol.peers]).toEqual([]);
      }),
    );
    const { unreadableDatagrams, sessionlessDatagrams } = protocol.counts;
    expect(unreadableDatagrams + sessionlessDatagrams).toBe(100);
  });

  it("do not break the endpoint when a listener throws", async () => {
    const { clock, endpoints } = await openThree();
    const uncaught: unknown[] = [];
    const note = (error: unknown) => uncaught.push(error);
    const others = process.listeners("uncaughtException");
    process.removeAllListeners("uncaughtException");
    process.on("uncaughtException", note);
    endpoints[1].sessionless(1, () => {
      throw new Error("of the listener");
    });
    let count = 0;
    endpoints[1].sessionless(1, () => count++);
    void endpoints[0].sessionless(1, () => {}).send(ADDRESSES[1]!, new Uint8Array(0));
    await clock.run({ untilUs: clock.nowUs() + 100_000 });
    await new Promise((resolve) => setImmediate(resolve));
    process.off("uncaughtException", note);
    for (const listener of others) process.on("uncaughtException", listener);
    expect(count).toBe(1);
    expect(uncaught).toMatchObject([{ message: "of the listener" }]);
  });
});
