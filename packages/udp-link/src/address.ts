import { lookup } from "node:dns/promises";
import { isIPv4, isIPv6 } from "node:net";
import type { Address } from "@fardel/core";
import { UdpLinkError } from "./errors.js";
import { ipv6Bytes, ipv6Text } from "./ipv6.js";

/** Bytes of an IPv4 address and a port: the address, then the port with its high byte first. */
const BYTES_V4 = 6;
/** The same for IPv6. */
const BYTES_V6 = 18;

/** A host and a port as text, taken apart: `192.168.1.5:7400`, `[fd00::5]:7400`, `name:7400`. */
interface HostAndPort {
  readonly host: string;
  readonly port: number;
}

/**
 * The link address of a peer.
 *
 * ```ts
 * import { udpAddress } from "@fardel/udp-link";
 *
 * udpAddress("192.168.1.5:7400"); // 6 bytes
 * udpAddress("[fd00::5]:7400"); // 18 bytes
 * ```
 * @param text - an IP address and a port, 1 to 65535; IPv6 in brackets (RFC 3986, section 3.2.2)
 * @throws {@link UdpLinkError} `bad-address`; also for the name of a host
 */
export function udpAddress(text: string): Address {
  const { host, port } = splitHostAndPort(text);
  const address = encodeAddress(host, port);
  if (address) return address;
  if (host.includes("%")) {
    throw badAddress(text, "Leave out the % and what follows; bind the link to that interface");
  }
  throw badAddress(text, "Names of hosts are looked up by resolveUdpAddress");
}

/**
 * The text of a link address: what {@link udpAddress} reads. IPv6 as RFC 5952 writes it.
 * @param address - 6 or 18 bytes
 * @throws {@link UdpLinkError} `bad-address`
 */
export function formatUdpAddress(address: Address): string {
  const destination = decodeAddress(address);
  if (!destination) {
    throw new UdpLinkError(
      "bad-address",
      `A UDP address has ${BYTES_V4} bytes (IPv4) or ${BYTES_V6} (IPv6), but this one has ${address.length}.`,
    );
  }
  return formatHostAndPort(destination.host, destination.port);
}

/**
 * As {@link udpAddress}, but looks up the name of a host: `gateway.local:7400`.
 * @param options - `family`: 4 (default) or 6, for names; `signal` ends the waiting, not the look-up
 * @throws {@link UdpLinkError} `bad-address`, `host-not-found`, `aborted`
 */
export async function resolveUdpAddress(
  text: string,
  options: { readonly family?: 4 | 6; readonly signal?: AbortSignal } = {},
): Promise<Address> {
  const { family = 4, signal } = options;
  const { host, port } = splitHostAndPort(text);
  if (isIPv4(host) || host.includes(":")) return udpAddress(text);
  const found = await unlessAborted(lookUp(host, family), signal, `The look-up of ${host}`);
  return encodeAddress(found, port) as Address;
}

async function lookUp(host: string, family: 4 | 6): Promise<string> {
  try {
    return (await lookup(host, { family })).address;
  } catch (cause) {
    throw new UdpLinkError(
      "host-not-found",
      `No IPv${family} address was found for the host ${host}. Check its spelling and the name service, or give its IP address.`,
      { cause },
    );
  }
}

/** @throws {@link UdpLinkError} `aborted`, with the signal's reason as `cause` */
async function unlessAborted<T>(
  promise: Promise<T>,
  signal: AbortSignal | undefined,
  what: string,
): Promise<T> {
  if (!signal) return promise;
  let stop = () => {};
  const aborted = new Promise<never>((_resolve, reject) => {
    stop = () => {
      reject(new UdpLinkError("aborted", `${what} was aborted.`, { cause: signal.reason }));
    };
    if (signal.aborted) stop();
    else signal.addEventListener("abort", stop, { once: true });
  });
  try {
    return await Promise.race([aborted, promise]);
  } finally {
    signal.removeEventListener("abort", stop);
  }
}

/** @returns `undefined` if `host` is no plain IP address or the port no port */
export function encodeAddress(host: string, port: number): Address | undefined {
  if (!isPort(port)) return undefined;
  if (isIPv4(host)) return Uint8Array.of(...host.split(".").map(Number), port >> 8, port & 0xff);
  if (!isIPv6(host) || host.includes("%")) return undefined;
  return Uint8Array.of(...ipv6Bytes(host), port >> 8, port & 0xff);
}

/** @returns `undefined` if the bytes are no address of a link of this package */
export function decodeAddress(
  address: Address,
): (HostAndPort & { readonly family: 4 | 6 }) | undefined {
  const isV4 = address.length === BYTES_V4;
  if (!isV4 && address.length !== BYTES_V6) return undefined;
  const end = address.length - 2;
  const port = ((address[end] as number) << 8) | (address[end + 1] as number);
  if (port === 0) return undefined;
  const bytes = address.subarray(0, end);
  return isV4
    ? { host: bytes.join("."), port, family: 4 }
    : { host: ipv6Text(bytes), port, family: 6 };
}

/** IPv6 in brackets. */
export function formatHostAndPort(host: string, port: number): string {
  return host.includes(":") ? `[${host}]:${port}` : `${host}:${port}`;
}

/** Longest text that is looked at: a name has at most 255 bytes (RFC 1035, section 2.3.4). */
const TEXT_LENGTH_MAX = 300;

function splitHostAndPort(text: string): HostAndPort {
  if (typeof text !== "string" || text.length > TEXT_LENGTH_MAX) {
    throw badAddress("this", `It is not a text of at most ${TEXT_LENGTH_MAX} characters`);
  }
  const match = /^(?:\[([^\]]+)\]|([^:[\]\s/]+)):(\d{1,5})$/.exec(text);
  if (!match) {
    throw badAddress(text, "Write host:port, as 192.168.1.5:7400 or [fd00::5]:7400");
  }
  const [, bracketed, plain, digits] = match;
  const port = Number(digits);
  if (!isPort(port)) throw badAddress(text, "The port must be 1 to 65535");
  if (bracketed !== undefined && !isIPv6(bracketed)) {
    throw badAddress(text, "Only an IPv6 address stands in brackets");
  }
  const host = bracketed ?? (plain as string);
  // What looks like a number is a mistyped address, not a name to be looked up.
  if (/^[\d.]+$/.test(host) && !isIPv4(host)) {
    throw badAddress(text, "An IPv4 address is four numbers from 0 to 255, with dots between them");
  }
  return { host, port };
}

function isPort(port: number): boolean {
  return Number.isInteger(port) && port >= 1 && port <= 65535;
}

function badAddress(text: string, advice: string): UdpLinkError {
  const quoted = text === "this" ? text : JSON.stringify(text);
  return new UdpLinkError("bad-address", `${quoted} is no UDP address. ${advice}.`);
}
