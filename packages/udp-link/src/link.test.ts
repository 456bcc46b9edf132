import { createSocket, type Socket } from "node:dgram";
import { isIPv6 } from "node:net";
import { networkInterfaces } from "node:os";
import { afterEach, describe, expect, it } from "vitest";
import { formatUdpAddress, udpAddress } from "./address.js";
import { BROADCAST_HOST, bindLink, freePort, Listener, sendText } from "./bound-links.js";
import type { UdpLink } from "./link.js";

const sockets: Socket[] = [];
afterEach(() => {
  for (const socket of sockets.splice(0)) socket.close();
});

/** A program that is no link of ours. */
async function plainSocket(host = "127.0.0.1"): Promise<Socket> {
  const socket = createSocket("udp4");
  sockets.push(socket);
  await new Promise<void>((resolve) => socket.bind({ address: host }, resolve));
  return socket;
}

const bytesOf = (text: string) => new TextEncoder().encode(text);
const addressOf = (link: UdpLink) => link.localAddress as Uint8Array;

describe("an address that is bound", () => {
  it("is told as text and as bytes", async () => {
    const link = await bindLink({ host: "127.0.0.7" });
    expect(link).toMatchObject({ host: "127.0.0.7", mtuBytes: 250, outstandingMax: 64 });
    expect(formatUdpAddress(addressOf(link))).toBe(`127.0.0.7:${link.port}`);
    expect("broadcastAddress" in link).toBe(false);
  });

  it("has no bytes when it stands for every network", async () => {
    const link = await bindLink({ host: "0.0.0.0" });
    expect("localAddress" in link).toBe(false);
    expect(link.port).toBeGreaterThan(0);
  });

  it("is of IPv6 where this computer has that", async () => {
    const hasIpv6 = Object.values(networkInterfaces())
      .flat()
      .some((it) => it?.address === "::1");
    // The port is another one for each family.
    const { port } = await bindLink({ host: "0.0.0.0" });
    const binding = Promise.all([bindLink({ host: "::1" }), bindLink({ host: "::", port })]);
    if (!hasIpv6) {
      await expect(binding).rejects.toMatchObject({ name: "UdpLinkError" });
      return;
    }
    const [one, everywhere] = await binding;
    const [a, b] = [new Listener(one), new Listener(everywhere)];
    expect(await sendText(one, udpAddress(`[::1]:${everywhere.port}`), "question")).toBe("sent");
    await b.until(1);
    expect(formatUdpAddress(b.received[0]?.from as Uint8Array)).toBe(`[::1]:${one.port}`);
    await sendText(everywhere, addressOf(one), "answer");
    await a.until(1);
    expect(a.texts).toEqual(["answer"]);
    // It speaks one family only.
    expect(await sendText(one, udpAddress("127.0.0.1:9"), "x")).toBe("not-acknowledged");
    expect(one.statistics.sendErrors).toEqual({ "bad-address": 1 });
  });

  it("may be of one interface, where there is a link-local one", async () => {
    const found = Object.entries(networkInterfaces()).flatMap(([name, addresses = []]) =>
      addresses
        .filter(({ address }) => isIPv6(address) && address.startsWith("fe80:"))
        .map(({ address }) => `${address}%${name}`),
    );
    for (const host of found) {
      const [one, other] = await Promise.all([bindLink({ host }), bindLink({ host })]);
      const [a, b] = [new Listener(one), new Listener(other)];
      await sendText(one, addressOf(other), "question");
      await b.until(1);
      await sendText(other, b.received[0]?.from as Uint8Array, "answer");
      await a.until(1);
      // A link that hears every network could not answer it.
      const everywhere = await bindLink({ host: "::" });
      const c = new Listener(everywhere);
      const to = addressOf(one).slice();
      to.set([everywhere.port >> 8, everywhere.port & 0xff], 16);
      await sendText(one, to, "from one of many networks");
      await sendText(one, to, "again");
      await plainTurns(() => everywhere.statistics.dropped.unanswerable === 2);
      expect(c.received).toEqual([]);
    }
  });
});

/** Lets the event loop turn until something holds; the test's time limit bounds it. */
async function plainTurns(holds: () => boolean): Promise<void> {
  while (!holds()) await new Promise<void>((resolve) => setImmediate(resolve));
}

describe("an address that cannot be bound", () => {
  it("is in use", async () => {
    const { port } = await bindLink();
    await expect(bindLink({ port })).rejects.toMatchObject({
      name: "UdpLinkError",
      code: "address-in-use",
      message: `127.0.0.1:${port} is in use. End the program that has it, or choose another port (0: any free one).`,
      cause: { code: "EADDRINUSE" },
    });
  });

  it("is not of this computer", async () => {
    // For documentation only: RFC 5737, TEST-NET-2.
    await expect(bindLink({ host: "198.51.100.77" })).rejects.toMatchObject({
      code: "address-not-available",
      message: expect.stringMatching(/does not have the address 198\.51\.100\.77.*127\.0\.0\.1/),
    });
  });

  it("is no broadcast address of this computer, and then nothing stays bound", async () => {
    const port = await freePort();
    const broadcast = { address: "198.51.100.255" };
    await expect(bindLink({ port, broadcast })).rejects.toMatchObject({
      code: "address-not-available",
      message: expect.stringContaining("Broadcasts to 198.51.100.255 cannot be heard"),
    });
    await bindLink({ port });
  });

  it("is not wanted any more, and then nothing stays bound", async () => {
    const port = await freePort();
    await expect(bindLink({ port, signal: AbortSignal.abort() })).rejects.toMatchObject({
      code: "aborted",
      message: `Binding to 127.0.0.1:${port} was aborted.`,
    });
    const soon = new AbortController();
    const broadcast = { address: BROADCAST_HOST };
    const binding = bindLink({ port, broadcast, signal: soon.signal });
    soon.abort(new Error("enough"));
    await expect(binding).rejects.toMatchObject({ code: "aborted", cause: { message: "enough" } });
    await bindLink({ port });
  });
});

describe("a link", () => {
  it("is opened once, and not after it was closed", async () => {
    const link = await bindLink();
    link.open({ onDatagram: () => {} });
    expect(() => link.open({ onDatagram: () => {} })).toThrow(
      expect.objectContaining({ code: "already-open" }),
    );
    await link.close();
    expect(() => link.open({ onDatagram: () => {} })).toThrow(
      expect.objectContaining({ code: "closed" }),
    );
    expect([link.receiveBufferBytes, link.sendBufferBytes]).toEqual([0, 0]);
  });

  it("gives its port back when it is closed", async () => {
    const link = await bindLink();
    await link.close();
    await bindLink({ port: link.port });
    const port = await freePort();
    const hearing = await bindLink({ broadcast: { address: BROADCAST_HOST, port } });
    await hearing.close();
    // Only a port that nobody shares can be had for oneself.
    await bindLink({ host: BROADCAST_HOST, port });
  });

  it("does not hear what came before it was open, and counts it", async () => {
    const [one, other] = [await bindLink(), await bindLink()];
    const early = new Listener(one);
    await sendText(one, addressOf(other), "early");
    await plainTurns(() => other.statistics.dropped.beforeOpen === 1);
    const late = new Listener(other);
    await sendText(one, addressOf(other), "late");
    await late.until(1);
    expect(late.texts).toEqual(["late"]);
    expect(early.received).toEqual([]);
  });

  it("drops what is longer than its own mtuBytes, and counts it", async () => {
    const large = await bindLink({ mtuBytes: 300 });
    const small = new Listener(await bindLink());
    new Listener(large);
    for (const length of [251, 250])
      await sendText(large, addressOf(small.link), "x".repeat(length));
    await small.until(1);
    expect(small.received[0]?.datagram.length).toBe(250);
    expect(small.link.statistics).toMatchObject({
      dropped: { oversized: 1 },
      received: { datagrams: 1, bytes: 250 },
    });
    expect(large.statistics.outcomes.sent).toBe(2);
  });

  it("hands over plain byte arrays, whose slice copies", async () => {
    const plain = await plainSocket();
    const link = await bindLink();
    const seen = new Promise<Uint8Array>((resolve) =>
      link.open({ onDatagram: (_from, datagram) => resolve(datagram) }),
    );
    plain.send(bytesOf("from elsewhere"), link.port, "127.0.0.1");
    const datagram = await seen;
    expect(Buffer.isBuffer(datagram)).toBe(false);
    expect(new TextDecoder().decode(datagram)).toBe("from elsewhere");
  });

  it("takes datagrams without any bytes", async () => {
    const [a, b] = [new Listener(await bindLink()), new Listener(await bindLink())];
    await sendText(a.link, addressOf(b.link), "");
    await b.until(1);
    expect(b.texts).toEqual([""]);
  });

  it("sets the buffers of the system", async () => {
    const bytes = [8192, 65_536] as const;
    const [small, large] = await Promise.all([
      bindLink({ receiveBufferBytes: bytes[0], sendBufferBytes: bytes[1] }),
      bindLink({ receiveBufferBytes: bytes[1], sendBufferBytes: bytes[0] }),
    ]);
    // The system may count in its own way, but it counts alike.
    expect(small.receiveBufferBytes).toBeGreaterThanOrEqual(bytes[0]);
    expect(large.receiveBufferBytes).toBeGreaterThan(small.receiveBufferBytes);
    expect(large.sendBufferBytes).toBeGreaterThanOrEqual(bytes[0]);
    expect(small.sendBufferBytes).toBeGreaterThan(large.sendBufferBytes);
  });
});

describe("a destination that is out of reach", () => {
  it("is missed, and the link goes on", async () => {
    const a = new Listener(await bindLink());
    const b = new Listener(await bindLink());
    // Reserved, RFC 1112 section 4: no system sends to it.
    expect(await sendText(a.link, udpAddress("240.0.0.1:9"), "x")).toBe("not-acknowledged");
    expect(await sendText(a.link, addressOf(b.link), "on it goes")).toBe("sent");
    await b.until(1);
    expect(b.texts).toEqual(["on it goes"]);
    expect(a.statuses).toEqual([]);
    expect(Object.values(a.link.statistics.sendErrors)).toEqual([1]);
  });

  it("may refuse by ICMP, which changes nothing", async () => {
    const a = new Listener(await bindLink());
    const b = new Listener(await bindLink());
    const deserted = udpAddress(`127.0.0.1:${await freePort()}`);
    for (let turn = 0; turn < 3; turn++) {
      expect(await sendText(a.link, deserted, "x")).toBe("sent");
      await sendText(a.link, addressOf(b.link), "still here");
      await b.until(turn + 1);
    }
    expect(a.statuses).toEqual([]);
  });

  it.each([0, 1, 5, 7, 17, 19, 255])("may be %i bytes that are no address", async (length) => {
    const { link } = new Listener(await bindLink());
    const to = new Uint8Array(length).fill(1);
    expect(await sendText(link, to, "x")).toBe("not-acknowledged");
    expect(link.statistics.sendErrors).toEqual({ "bad-address": 1 });
  });

  it("may have no port", async () => {
    const { link } = new Listener(await bindLink());
    expect(await sendText(link, Uint8Array.of(127, 0, 0, 1, 0, 0), "x")).toBe("not-acknowledged");
  });
});

describe("a broadcast", () => {
  it("reaches every link that shares its port, and not its sender", async () => {
    const port = await freePort();
    const broadcast = { address: BROADCAST_HOST, port };
    const links = await Promise.all(
      ["127.0.0.1", "127.0.0.1", "0.0.0.0"].map((host) => bindLink({ host, broadcast })),
    );
    const listeners = links.map((link) => new Listener(link));
    for (const [index, { link }] of listeners.entries()) {
      const others = listeners.filter((_, i) => i !== index);
      const before = others.map(({ received }) => received.length);
      expect(await sendText(link, link.broadcastAddress as Uint8Array, `from ${index}`)).toBe(
        "sent",
      );
      await Promise.all(others.map((other, i) => other.until((before[i] ?? 0) + 1)));
      await plainTurns(() => link.statistics.dropped.own === 1);
      expect(others.map(({ texts }) => texts.at(-1))).toEqual(others.map(() => `from ${index}`));
    }
    expect(listeners.map(({ received }) => received.length)).toEqual([2, 2, 2]);
  });

  it("is one socket's business when bound to every network", async () => {
    const port = await freePort();
    const everywhere = new Listener(
      await bindLink({ host: "0.0.0.0", port, broadcast: { address: BROADCAST_HOST } }),
    );
    const { link } = everywhere;
    const plain = await plainSocket();
    plain.setBroadcast(true);
    plain.send(bytesOf("from elsewhere"), port, BROADCAST_HOST);
    await everywhere.until(1);
    await sendText(link, link.broadcastAddress as Uint8Array, "own");
    await plainTurns(() => link.statistics.dropped.own === 1);
    expect(everywhere.texts).toEqual(["from elsewhere"]);
  });
});
