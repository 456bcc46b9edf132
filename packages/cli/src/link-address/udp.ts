import { formatUdpAddress, resolveUdpAddress, UdpLink } from "@fardel/udp-link";
import type { Context } from "../context.js";
import { usageProblem } from "../problem.js";
import type { UdpAddress } from "./link-syntax.js";
import type { OpenLink } from "./open-link.js";

const BYTES_V4 = 6;

export async function openUdp(address: UdpAddress, { signal }: Context): Promise<OpenLink> {
  const { kind: _, ...options } = address;
  const link = await UdpLink.bind({ ...options, signal });
  const family = link.host.includes(":") ? 6 : 4;
  return {
    link,
    describe: `UDP at ${where(link)}, datagrams of ${link.mtuBytes} bytes`,
    parseAddress: async (text) => {
      const peer = await resolveUdpAddress(text, { family, signal });
      if ((peer.length === BYTES_V4 ? 4 : 6) === family) return peer;
      const other = family === 4 ? "udp:[::] for an IPv6 address" : "udp: for an IPv4 address";
      throw usageProblem(
        `This link speaks IPv${family}, ${text} does not. Use ${other}.`,
        "bad-address",
      );
    },
    formatAddress: formatUdpAddress,
    close: async () => link.close(),
  };
}

function where({ host, port }: UdpLink): string {
  if (host === "0.0.0.0" || host === "::") return `port ${port} of every network of this computer`;
  return host.includes(":") ? `[${host}]:${port}` : `${host}:${port}`;
}
