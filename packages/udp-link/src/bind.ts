import { createSocket, type Socket } from "node:dgram";
import { formatHostAndPort } from "./address.js";
import { UdpLinkError } from "./errors.js";
import type { UdpLinkSettings } from "./options.js";
import { ownHosts } from "./own-hosts.js";

/** A socket of the system, bound as the settings say. @throws {@link UdpLinkError} */
export async function bindMain(settings: UdpLinkSettings): Promise<Socket> {
  const { family, host, port, broadcast, receiveBufferBytes, sendBufferBytes } = settings;
  const socket = await bindSocket(family, host, port, false);
  try {
    if (broadcast) socket.setBroadcast(true);
    if (receiveBufferBytes !== undefined) socket.setRecvBufferSize(receiveBufferBytes);
    if (sendBufferBytes !== undefined) socket.setSendBufferSize(sendBufferBytes);
  } catch (cause) {
    socket.close();
    throw bindError(cause, host, port);
  }
  return socket;
}

/**
 * What hears broadcasts where the main socket does not: a socket that is bound to one address, or to
 * another port, is not given what goes to the broadcast address. All links of this computer that
 * share the port hear it.
 */
export async function bindEar(settings: UdpLinkSettings, ownPort: number): Promise<Socket | null> {
  const { host, broadcast, receiveBufferBytes } = settings;
  if (!broadcast) return null;
  const { address, port = ownPort } = broadcast;
  if (host === "0.0.0.0" && port === ownPort) return null;
  let ear: Socket | undefined;
  try {
    ear = await bindSocket(4, address, port, true);
    if (receiveBufferBytes !== undefined) ear.setRecvBufferSize(receiveBufferBytes);
    return ear;
  } catch (cause) {
    ear?.close();
    if (!(cause instanceof UdpLinkError) || cause.code !== "address-not-available") throw cause;
    throw new UdpLinkError(
      "address-not-available",
      `Broadcasts to ${address} cannot be heard on this computer. Check that it is the broadcast address of one of its networks, or bind to 0.0.0.0 and port ${port}.`,
      { cause },
    );
  }
}

function bindSocket(family: 4 | 6, host: string, port: number, isShared: boolean): Promise<Socket> {
  return new Promise((resolve, reject) => {
    const socket = createSocket({
      type: family === 4 ? "udp4" : "udp6",
      reuseAddr: isShared,
      // One family for each link: an address has one form.
      ipv6Only: family === 6,
      // Addresses are always numbers here, and need no name service.
      lookup: (literal, _options, found) => found(null, literal, family),
    });
    const fail = (cause: Error) => {
      socket.close();
      reject(bindError(cause, host, port));
    };
    socket.once("error", fail);
    // `exclusive`: the workers of a cluster must not share it; each would get some of the datagrams.
    socket.bind({ address: host, port, exclusive: true }, () => {
      socket.off("error", fail);
      // A socket of UDP outlives whatever it reports: ICMP answers, a network that went away.
      socket.on("error", () => {});
      resolve(socket);
    });
  });
}

/** What it means that the system refused to bind, and what to do about it. */
export function bindError(cause: unknown, host: string, port: number): UdpLinkError {
  const code = errorCode(cause);
  const where = formatHostAndPort(host, port);
  switch (code) {
    case "EADDRINUSE":
      return new UdpLinkError(
        "address-in-use",
        `${where} is in use. End the program that has it, or choose another port (0: any free one).`,
        { cause },
      );
    case "EADDRNOTAVAIL":
      return new UdpLinkError(
        "address-not-available",
        `This computer does not have the address ${host}. It has ${ownHosts().slice(0, 8).join(", ")}; or bind to 0.0.0.0 for all IPv4 networks.`,
        { cause },
      );
    case "EACCES":
    case "EPERM":
      return new UdpLinkError(
        "not-permitted",
        `This account may not use ${where}. Choose a port from 1024 up: many systems keep the lower ones for the administrator.`,
        { cause },
      );
    default:
      return new UdpLinkError(
        "bind-failed",
        `${where} cannot be used: the system says ${code}. Check the address, the network and the buffer sizes.`,
        { cause },
      );
  }
}

/** Code of an error of the system, such as `EADDRINUSE`. */
export function errorCode(error: unknown): string {
  const { code } = error instanceof Error ? (error as NodeJS.ErrnoException) : {};
  return code ?? "unknown";
}
