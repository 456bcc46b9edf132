import { Endpoint, SESSIONLESS_KIND } from "@fardel/core";
import { decodeValue } from "@fardel/msgpack";
import { afterEach, describe, expect, it } from "vitest";
import { arrivalOf } from "../arrival.js";
import { EXIT, Problem } from "../problem.js";
import { passTime, TestContext } from "../test-context.js";
import { inventedClaimCode } from "./invented-label.js";
import { type OpenLink, openLink } from "./open-link.js";
import { radioOf } from "./serial.js";

let opened: OpenLink | undefined;
afterEach(() => opened?.close());

async function open(text: string, context: TestContext): Promise<OpenLink> {
  opened = await openLink(text, context);
  return opened;
}

describe("a lossy: link", () => {
  it("has boards that take messages and answer requests with what has arrived", async () => {
    const context = new TestContext();
    const { clock } = context;
    const link = await open("lossy:loss=0.3,seed=5,boards=3", context);
    expect(link.describe).toContain("30 % loss, seed 5), 3 boards from 02:00:00:00:00:02");
    expect(link.onlyPeer).toBeUndefined();
    const gateway = await Endpoint.open({ link: link.link, clock });
    const blob = new Uint8Array(5000).fill(7);
    for (const board of ["02:00:00:00:00:02", "02:00:00:00:00:03", "02:00:00:00:00:04"]) {
      const address = await link.parseAddress(board);
      expect(link.formatAddress(address)).toBe(board);
      const peer = gateway.peer(address);
      await expect(passTime(clock, peer.send(blob))).resolves.toMatchObject({
        outcome: "delivered",
      });
      const reply = await passTime(clock, peer.request(blob));
      expect(decodeValue(reply)).toEqual(arrivalOf(blob));
    }
    await gateway.close();
  });

  it("sends readings if it is told to, and none otherwise", async () => {
    for (const [text, least] of [
      ["lossy:every=100ms", 9],
      ["lossy:", 0],
    ] as const) {
      const context = new TestContext();
      const { clock } = context;
      const link = await open(text, context);
      const gateway = await Endpoint.open({ link: link.link, clock });
      const readings: unknown[] = [];
      gateway.onMessage(({ bytes }) => readings.push(decodeValue(bytes)));
      await clock.run({ untilUs: 1_050_000 });
      expect(readings.length).toBeGreaterThanOrEqual(least);
      expect(readings.length).toBeLessThanOrEqual(least + 1);
      if (least > 0) expect(readings[0]).toEqual({ row: 1, airC: expect.any(Number), number: 0 });
      await gateway.close();
      await link.close();
    }
  });

  it("has boards that keep silent unless they are to be found", async () => {
    for (const isFindable of [false, true]) {
      const context = new TestContext();
      opened = await openLink("lossy:boards=2", context, { isFindable });
      const gateway = await Endpoint.open({ link: opened.link, clock: context.clock });
      let announcements = 0;
      gateway.sessionless(SESSIONLESS_KIND.announce, () => announcements++);
      await context.clock.run({ untilUs: 10_000_000 });
      expect(announcements > 0).toBe(isFindable);
      // Two boards, every 400 ms on average.
      if (isFindable) expect(announcements).toBeLessThan(80);
      await gateway.close();
    }
  });

  it("has boards with labels: invented, always the same, each with another code", async () => {
    const { simulated } = await open("lossy:boards=1000", new TestContext());
    const { labels = [] } = simulated ?? {};
    expect(labels[1]).toEqual({
      name: "row-2",
      address: Uint8Array.of(2, 0, 0, 0, 0, 3),
      claimCode: inventedClaimCode(Uint8Array.of(2, 0, 0, 0, 0, 3)),
    });
    // What README.md says.
    expect(labels[0]?.claimCode).toBe("8EN6F-VTBWY");
    expect(new Set(labels.map(({ claimCode }) => claimCode)).size).toBe(1000);
  });

  it("tells signal strengths at a distance", async () => {
    const context = new TestContext();
    const link = await open("lossy:distance=60", context);
    const gateway = await Endpoint.open({ link: link.link, clock: context.clock });
    const peer = gateway.peer(link.onlyPeer ?? new Uint8Array());
    await passTime(context.clock, peer.send(Uint8Array.of(1)));
    expect(peer.report()?.rssiDbm).toBeLessThan(-50);
    await gateway.close();
  });

  it("loses as many as it says, also in bursts", async () => {
    const context = new TestContext();
    const { clock } = context;
    const link = await open("lossy:loss=0.25,burst=4,seed=9", context);
    const gateway = await Endpoint.open({ link: link.link, clock });
    const peer = gateway.peer(link.onlyPeer ?? new Uint8Array());
    await passTime(clock, peer.send(new Uint8Array(500_000)));
    const { lossRate } = peer.report() ?? {};
    expect(lossRate).toBeGreaterThan(0.2);
    expect(lossRate).toBeLessThan(0.3);
    await gateway.close();
  });

  it("gives the gateway another address where a board has its own", async () => {
    const { link } = await open("lossy:board=02:00:00:00:00:01", new TestContext());
    expect(link.localAddress).toEqual(Uint8Array.of(6, 0, 0, 0, 0, 1));
  });

  it.each(["02:00:00:00:00", "nobody", "", "02:00:00:00:00:0g", "127.0.0.1:1"])(
    "refuses the address %j and shows what one looks like",
    async (text) => {
      const { parseAddress } = await open("lossy:", new TestContext());
      const failure = parseAddress(text);
      await expect(failure).rejects.toBeInstanceOf(Problem);
      await expect(failure).rejects.toThrow("6 bytes with colons, such as 02:00:00:00:00:00");
    },
  );

  it("takes everybody's address for no peer", async () => {
    const { parseAddress } = await open("lossy:", new TestContext());
    await expect(parseAddress("ff:ff:ff:ff:ff:ff")).rejects.toThrow("Name one peer");
  });
});

describe("a udp: link", () => {
  it("takes a free port, and says which", async () => {
    const { link, describe, parseAddress, formatAddress } = await open(
      "udp:127.0.0.1?mtu=300",
      new TestContext(),
    );
    expect(link.mtuBytes).toBe(300);
    expect(describe).toMatch(/^UDP at 127\.0\.0\.1:\d+, datagrams of 300 bytes$/);
    const address = await parseAddress("192.168.1.5:7400");
    expect(address).toEqual(Uint8Array.of(192, 168, 1, 5, 0x1c, 0xe8));
    expect(formatAddress(address)).toBe("192.168.1.5:7400");
    await expect(parseAddress("[::1]:7400")).rejects.toThrow("udp:[::]");
    await expect(parseAddress("02:00:00:00:00:02")).rejects.toMatchObject({ code: "bad-address" });
  });
});

describe("a serial: link", () => {
  it("has a radio channel if its bridge can set it", async () => {
    const bridge = { canSetChannel: true, channel: 6 };
    const link = {
      bridge,
      setRadioChannel: async (channel: number) => {
        bridge.channel = channel;
      },
    };
    const { radio } = radioOf(link);
    expect(radio?.channel()).toBe(6);
    await radio?.setChannel(11);
    expect(radio?.channel()).toBe(11);
    bridge.channel = 0;
    expect(radio?.channel()).toBeUndefined();
    bridge.canSetChannel = false;
    expect(radioOf(link)).toEqual({});
  });

  it("that is not there says so", async () => {
    const failure = open("serial:no-such-port", new TestContext());
    await expect(failure).rejects.toMatchObject({ code: "port-not-found" });
  });

  it("is refused for a wrong text before anything is opened", async () => {
    await expect(open("serial:x?baud=1", new TestContext())).rejects.toMatchObject({
      exitCode: EXIT.usage,
    });
  });
});
