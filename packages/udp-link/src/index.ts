/**
 * A Fardel link over UDP: for gateways on one network, and for simulations across processes.
 *
 * @packageDocumentation
 */

export { formatUdpAddress, resolveUdpAddress, udpAddress } from "./address.js";
export { UdpLinkError, type UdpLinkErrorCode } from "./errors.js";
export { UdpLink, type UdpLinkStatistics } from "./link.js";
export type { UdpBroadcast, UdpLinkOptions } from "./options.js";
