import { networkInterfaces } from "node:os";
import { expect, it, vi } from "vitest";
import { BROADCAST_HOST, bindLink, freePort, Listener, sendText } from "./bound-links.js";
import { OwnHosts, withoutZone } from "./own-hosts.js";

vi.mock("node:os", async (importOriginal) => {
  const os = await importOriginal<typeof import("node:os")>();
  return { ...os, networkInterfaces: vi.fn(os.networkInterfaces) };
});

type Interfaces = ReturnType<typeof networkInterfaces>;
const none: Interfaces = {};

/** What the system tells of one interface with this address. */
function interfaces(address: string): Interfaces {
  const info = { netmask: "255.0.0.0", mac: "02:00:00:00:00:01", internal: false, cidr: null };
  return { eth0: [{ address, family: "IPv4", ...info }] };
}

it("one address is its own", () => {
  const hosts = new OwnHosts("fe80::1%eth0");
  expect(hosts.has("fe80::1")).toBe(true);
  vi.mocked(networkInterfaces).mockReturnValueOnce(interfaces("10.0.0.1"));
  hosts.refresh();
  expect(["fe80::1", "10.0.0.1"].map((host) => hosts.has(host))).toEqual([true, false]);
  vi.mocked(networkInterfaces).mockReset();
});

it("all addresses of this computer are its own when it is bound to every network", () => {
  vi.mocked(networkInterfaces).mockReturnValueOnce(interfaces("10.0.0.1"));
  const hosts = new OwnHosts("0.0.0.0");
  expect(["10.0.0.1", "10.0.0.2", "0.0.0.0"].map((host) => hosts.has(host))).toEqual([
    true,
    false,
    false,
  ]);
  vi.mocked(networkInterfaces).mockReturnValueOnce(interfaces("10.0.0.2"));
  hosts.refresh();
  expect(["10.0.0.1", "10.0.0.2"].map((host) => hosts.has(host))).toEqual([false, true]);
});

it("a network that came after binding does not bring back one's own broadcast", async () => {
  vi.mocked(networkInterfaces).mockReturnValue(none);
  const port = await freePort();
  const broadcast = { address: BROADCAST_HOST };
  const everywhere = new Listener(await bindLink({ host: "0.0.0.0", port, broadcast }));
  vi.mocked(networkInterfaces).mockReturnValue(interfaces("127.0.0.1"));
  const { link } = everywhere;
  await sendText(link, link.broadcastAddress as Uint8Array, "own");
  // What comes after it shows that it was heard and dropped.
  const elsewhere = { ...broadcast, port: await freePort() };
  const other = new Listener(await bindLink({ broadcast: elsewhere }));
  await sendText(other.link, link.broadcastAddress as Uint8Array, "of another");
  await everywhere.until(1);
  expect(everywhere.texts).toEqual(["of another"]);
  expect(link.statistics.dropped.own).toBe(1);
});

it("a zone is no part of an address", () => {
  expect(["fe80::1%eth0", "fe80::1", "10.0.0.1"].map(withoutZone)).toEqual([
    "fe80::1",
    "fe80::1",
    "10.0.0.1",
  ]);
});
