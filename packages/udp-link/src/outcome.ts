import type { SendOutcome } from "@fardel/core";

/**
 * The system's buffers are full, or the datagram is too long for it. It did not leave, whoever it
 * was for. (ENOBUFS, EAGAIN, EMSGSIZE: POSIX.1-2017, sendto.)
 */
const LINK_IS_FULL: ReadonlySet<string> = new Set([
  "EAGAIN",
  "EMSGSIZE",
  "ENOBUFS",
  "ENOMEM",
  "EWOULDBLOCK",
]);

/**
 * What the system's error means for one datagram.
 *
 * An error that belongs to one destination (no route, a firewall, an ICMP answer to an earlier
 * datagram) counts as `not-acknowledged`. `refused` would be wrong for it: an endpoint then holds
 * back what it has for all other peers, too, and tries again until the deadline. This way the one
 * peer is tried more and more seldom, and is reported as unreachable.
 */
export function outcomeOfError(code: string, isBroadcast: boolean): SendOutcome {
  // Nobody acknowledges a broadcast, so it cannot be missed either.
  return LINK_IS_FULL.has(code) || isBroadcast ? "refused" : "not-acknowledged";
}
