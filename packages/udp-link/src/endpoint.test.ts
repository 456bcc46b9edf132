import { createHash } from "node:crypto";
import { Endpoint, type EndpointOptions, type Message } from "@fardel/core";
import { afterEach, describe, expect, it } from "vitest";
import { formatUdpAddress, udpAddress } from "./address.js";
import { bindLink } from "./bound-links.js";
import type { UdpLink } from "./link.js";

const endpoints: Endpoint[] = [];
afterEach(() => Promise.all(endpoints.splice(0).map((endpoint) => endpoint.close())));

async function openEndpoint(link: UdpLink, options: Partial<EndpointOptions> = {}) {
  const endpoint = await Endpoint.open({ link, ...options });
  endpoints.push(endpoint);
  return endpoint;
}

const addressOf = (link: UdpLink) => link.localAddress as Uint8Array;
const digest = (bytes: Uint8Array) => createHash("sha256").update(bytes).digest("hex");
const blob = (seed: number, length: number) =>
  Uint8Array.from({ length }, (_, index) => (index * 131) ^ (index >> 7) ^ seed);

async function nextMessage(endpoint: Endpoint): Promise<Message> {
  const { value } = await endpoint.messages().next();
  return value as Message;
}

describe("two endpoints over UDP", () => {
  it.each([
    [64 * 1024, 250],
    [64 * 1024, 1472],
    [4096, 20],
  ])("exchange %i bytes each way at once, %i bytes a datagram", async (length, mtuBytes) => {
    const [one, other] = await Promise.all([bindLink({ mtuBytes }), bindLink({ mtuBytes })]);
    const [a, b] = [await openEndpoint(one), await openEndpoint(other)];
    const bytes = [blob(1, length), blob(2, length)] as const;
    const arrivals = Promise.all([nextMessage(b), nextMessage(a)]);
    const receipts = await Promise.all([
      a.peer(addressOf(other)).send(bytes[0]),
      b.peer(addressOf(one)).send(bytes[1]),
    ]);
    expect(receipts.map(({ outcome }) => outcome)).toEqual(["delivered", "delivered"]);
    expect((await arrivals).map((message) => digest(message.bytes))).toEqual(bytes.map(digest));
  });

  it("work side by side with forty-eight others, each of which is known by its address", async () => {
    const gatewayLink = await bindLink();
    const gateway = await openEndpoint(gatewayLink);
    const arrived = new Map<string, string>();
    gateway.onMessage(({ peer, bytes }) =>
      arrived.set(formatUdpAddress(peer.address), digest(bytes)),
    );
    const expected = new Map<string, string>();
    const echoes: Promise<unknown>[] = [];
    for (let station = 0; station < 49; station++) {
      const link = await bindLink();
      const board = await openEndpoint(link);
      const reading = blob(station, 2000);
      expected.set(formatUdpAddress(addressOf(link)), digest(reading));
      echoes.push(
        board.peer(addressOf(gatewayLink)).send(reading),
        gateway.peer(addressOf(link)).send(reading),
        nextMessage(board).then(({ bytes }) => expect(digest(bytes)).toBe(digest(reading))),
      );
    }
    await Promise.all(echoes);
    expect(arrived).toEqual(expected);
  });

  it("are not held up by a peer that no datagram can be sent to", async () => {
    const [one, other] = await Promise.all([bindLink(), bindLink()]);
    const a = await openEndpoint(one, { unreachableUs: 300_000 });
    await openEndpoint(other);
    // Reserved, RFC 1112 section 4: no system sends to it.
    const lost = a.peer(udpAddress("240.0.0.1:7400")).send(blob(3, 5000));
    const ended = expect(lost).rejects.toMatchObject({ code: "peer-unreachable" });
    expect(await a.peer(addressOf(other)).send(blob(4, 50_000))).toMatchObject({
      outcome: "delivered",
    });
    await ended;
    const { sendErrors, outcomes } = one.statistics;
    // Tried more and more seldom, not as fast as the system says no.
    expect(Object.values(sendErrors).reduce((sum, count) => sum + count, 0)).toBeLessThan(100);
    expect(outcomes.refused).toBe(0);
  });

  it("say why a link cannot be opened", async () => {
    const link = await bindLink();
    await link.close();
    await expect(Endpoint.open({ link })).rejects.toMatchObject({
      code: "link-failed",
      cause: { code: "closed" },
    });
  });
});
