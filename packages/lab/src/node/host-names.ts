import { isIP } from "node:net";

/** `127.0.0.0/8` (RFC 1122, 3.2.1.3), `::1` (RFC 4291, 2.5.3) and `localhost` (RFC 6761, 6.3). */
export function isLoopback(host: string): boolean {
  const bare = unbracketed(host).toLowerCase();
  if (bare === "localhost" || bare === "::1") return true;
  return isIP(bare) === 4 && bare.startsWith("127.");
}

/**
 * Whether a request may name this host. A page of somebody else can make its own name lead to this
 * computer (DNS rebinding) and would be taken for ours; but then the request names that host.
 *
 * @param host - what stands before the port in the Host header
 * @param boundTo - the address that the server was told to listen at
 */
export function isExpectedHost(host: string, boundTo: string): boolean {
  if (isLoopback(host)) return true;
  // Listening for loopback only, nothing else can be meant.
  if (isLoopback(boundTo)) return false;
  const bare = unbracketed(host).toLowerCase();
  // An address instead of a name cannot have been made to lead here.
  return bare === unbracketed(boundTo).toLowerCase() || isIP(bare) !== 0;
}

/** Host and port of a Host header; `undefined` if it is none. */
export function splitHost(header: string | undefined): { host: string; port: number } | undefined {
  const match = /^(\[[0-9a-f:.]+\]|[a-z0-9._-]+)(?::(\d{1,5}))?$/i.exec(header ?? "");
  if (!match?.[1]) return undefined;
  return { host: match[1], port: match[2] === undefined ? 80 : Number(match[2]) };
}

/** An address as it stands in a URL: IPv6 in brackets. */
export function bracketed(host: string): string {
  return isIP(host) === 6 ? `[${host}]` : host;
}

function unbracketed(host: string): string {
  return host.startsWith("[") && host.endsWith("]") ? host.slice(1, -1) : host;
}
