import { isIP, isIPv4 } from "node:net";
import { UdpLinkError } from "./errors.js";

/** Where broadcasts go, and where they are heard. IPv4 only: IPv6 has none. */
export interface UdpBroadcast {
  /** The broadcast address of the network, such as `192.168.1.255`. */
  readonly address: string;
  /** 1 to 65535. Default: the link's own port. All links that shall hear each other share it. */
  readonly port?: number;
}

/** How a {@link UdpLink} is bound. */
export interface UdpLinkOptions {
  /**
   * This computer's IP address to send from and to listen at. `127.0.0.1`: this computer only.
   * `0.0.0.0` or `::`: every network that it is on.
   */
  readonly host: string;
  /** 0 to 65535. Default 0: any free port. */
  readonly port?: number;
  /**
   * Largest datagram, bytes, 20 to 65507. Default 250, as a small radio carries. Above 1472 (IPv4)
   * or 1452 (IPv6) an Ethernet splits it, and one lost piece loses the whole.
   */
  readonly mtuBytes?: number;
  /** Datagrams handed to the system before their outcomes are in, 1 to 65536. Default 64. */
  readonly outstandingMax?: number;
  /** Left out: the link cannot broadcast. */
  readonly broadcast?: UdpBroadcast;
  /**
   * Room for datagrams that have arrived and wait for this program, bytes (SO_RCVBUF), 1024 to
   * 1 GiB. When full: the system drops the newest and tells nobody. Default: the system's.
   */
  readonly receiveBufferBytes?: number;
  /** Room for datagrams on their way out, bytes (SO_SNDBUF), 1024 to 1 GiB. Default: the system's. */
  readonly sendBufferBytes?: number;
  /** Aborting it ends `bind` with `aborted`. It has no effect once the link is bound. */
  readonly signal?: AbortSignal;
}

/** Checked, and with defaults. */
export interface UdpLinkSettings {
  readonly family: 4 | 6;
  readonly host: string;
  readonly port: number;
  readonly mtuBytes: number;
  readonly outstandingMax: number;
  readonly broadcast: UdpBroadcast | undefined;
  readonly receiveBufferBytes: number | undefined;
  readonly sendBufferBytes: number | undefined;
}

/** 65535 less the headers of IPv4 and UDP. */
export const MTU_BYTES_MAX = 65_507;
/** What the smallest radios carry, and any network without splitting it. */
export const MTU_BYTES_DEFAULT = 250;
const OUTSTANDING_DEFAULT = 64;
const BUFFER_BYTES_MIN = 1024;
const BUFFER_BYTES_MAX = 2 ** 30;

const OPTION_NAMES: ReadonlySet<string> = new Set<keyof UdpLinkOptions>([
  "host",
  "port",
  "mtuBytes",
  "outstandingMax",
  "broadcast",
  "receiveBufferBytes",
  "sendBufferBytes",
  "signal",
]);

/** @throws {@link UdpLinkError} `invalid-option` */
export function checkOptions(options: UdpLinkOptions): UdpLinkSettings {
  // A program without types may pass nothing at all.
  const given: Partial<UdpLinkOptions> = options ?? {};
  for (const name of Object.keys(given)) {
    if (!OPTION_NAMES.has(name)) throw invalidOption(name, "there is no such option");
  }
  const { host, port = 0, mtuBytes = MTU_BYTES_DEFAULT, broadcast } = given;
  const { outstandingMax = OUTSTANDING_DEFAULT, receiveBufferBytes, sendBufferBytes } = given;
  checkHost(host);
  const family = isIPv4(host) ? 4 : 6;
  checkWhole("port", port, 0, 65535);
  checkWhole("mtuBytes", mtuBytes, 20, MTU_BYTES_MAX);
  checkWhole("outstandingMax", outstandingMax, 1, 65536);
  for (const [name, bytes] of Object.entries({ receiveBufferBytes, sendBufferBytes })) {
    if (bytes !== undefined) checkWhole(name, bytes, BUFFER_BYTES_MIN, BUFFER_BYTES_MAX);
  }
  if (broadcast !== undefined) checkBroadcast(broadcast, family, port);
  return {
    family,
    host,
    port,
    mtuBytes,
    outstandingMax,
    broadcast,
    receiveBufferBytes,
    sendBufferBytes,
  };
}

function checkHost(host: unknown): asserts host is string {
  if (typeof host === "string" && isIP(host) !== 0) return;
  const given = typeof host === "string" ? JSON.stringify(host) : String(host);
  throw invalidOption(
    "host",
    `${given} is not an IP address of this computer. Use 127.0.0.1 for this computer alone, the address of one network, or 0.0.0.0 for all`,
  );
}

function checkBroadcast(broadcast: UdpBroadcast, family: 4 | 6, ownPort: number): void {
  const { address, port } = broadcast;
  if (family === 6) {
    throw invalidOption("broadcast", "IPv6 has no broadcast. Bind to an IPv4 address");
  }
  if (!isIPv4(address)) {
    throw invalidOption(
      "broadcast.address",
      `${JSON.stringify(address)} is not an IPv4 address, such as 192.168.1.255`,
    );
  }
  if (port !== undefined) checkWhole("broadcast.port", port, 1, 65535);
  else if (ownPort === 0) {
    throw invalidOption(
      "broadcast.port",
      "it is missing. A link on any free port needs to be told the port that all share",
    );
  }
}

function checkWhole(name: string, value: unknown, low: number, high: number): void {
  if (typeof value === "number" && Number.isInteger(value) && value >= low && value <= high) return;
  throw invalidOption(name, `${String(value)} is not a whole number from ${low} to ${high}`);
}

function invalidOption(name: string, why: string): UdpLinkError {
  return new UdpLinkError("invalid-option", `Option ${name}: ${why}.`);
}
