import { linkConformanceChecks } from "@fardel/core/conformance";
import { describe, it } from "vitest";
import { udpAddress } from "./address.js";
import { BROADCAST_HOST, freePort } from "./bound-links.js";
import { UdpLink } from "./link.js";
import type { UdpLinkOptions } from "./options.js";

// Real sockets in real time, on the loopback interface: nothing is lost there, and what is to happen
// happens within a few milliseconds.
const OPTIONS = { patienceUs: 10_000_000, quietUs: 20_000, datagrams: 1000 };

/** Another program, or one of the three, may have taken the port meanwhile: then with another one. */
async function bindAll(optionsOf: (last: number, port: number) => UdpLinkOptions) {
  for (let tried = 1; ; tried++) {
    const port = await freePort();
    const bound = await Promise.allSettled(
      [1, 2, 3].map((last) => UdpLink.bind(optionsOf(last, port))),
    );
    const links = bound.flatMap((each) => (each.status === "fulfilled" ? [each.value] : []));
    if (links.length === bound.length) return links;
    await Promise.all(links.map((link) => link.close()));
    if (tried === 10) throw bound.find((each) => each.status === "rejected")?.reason;
  }
}

/** Three links; each is reached at 127.0.0.x, whatever it is bound to. */
async function threeLinks(optionsOf: (last: number, port: number) => UdpLinkOptions) {
  const links = await bindAll(optionsOf);
  const [a, b, c] = links as [UdpLink, UdpLink, UdpLink];
  const addressOf = (link: UdpLink) => link.localAddress ?? udpAddress(`127.0.0.1:${link.port}`);
  return { a, b, c, addressA: addressOf(a), addressB: addressOf(b), addressC: addressOf(c) };
}

const NETWORKS: Record<string, () => ReturnType<typeof threeLinks>> = {
  "of three addresses and one port": () =>
    threeLinks((last, port) => ({
      host: `127.0.0.${last}`,
      port,
      broadcast: { address: BROADCAST_HOST },
    })),
  "of one address, three ports, and a port for broadcasts": () =>
    threeLinks((_last, port) => ({
      host: "127.0.0.1",
      broadcast: { address: BROADCAST_HOST, port },
    })),
  "bound to every network": () =>
    threeLinks((_last, port) => ({
      host: "0.0.0.0",
      broadcast: { address: BROADCAST_HOST, port },
    })),
  "with large datagrams and one place": () =>
    threeLinks(() => ({ host: "127.0.0.1", mtuBytes: 65_507, outstandingMax: 1 })),
};

for (const [name, network] of Object.entries(NETWORKS)) {
  describe(`the contract of core's Link, UDP ${name}`, () => {
    for (const check of linkConformanceChecks(network, OPTIONS)) it(check.name, check.run);
  });
}
