/**
 * Whole messages over tiny lossy datagrams.
 *
 * @packageDocumentation
 */

export { type Clock, SystemClock, type TimerHandle } from "./clock.js";
export { Endpoint, type EndpointEvents, type EndpointOptions } from "./endpoint.js";
export type { IncomingStream, Message, Request } from "./incoming.js";
export type { Address, DatagramInfo, Link, LinkHandlers, SendOutcome } from "./link.js";
export type { Priority, Way } from "./protocol/channels.js";
export { type Acceptance, DEFAULT_CONFIG, type ProtocolConfig } from "./protocol/config.js";
export { type Delivery, FardelError, type FardelErrorCode } from "./protocol/errors.js";
export type { SessionEnd } from "./protocol/events.js";
export type { MessageHead } from "./protocol/message-head.js";
export {
  type DirectionKey,
  type PairKey,
  PROTECTED_MTU_MIN,
  type Protection,
  SALT_BYTES,
  type SessionName,
  TAG_BYTES,
} from "./protocol/protection.js";
export type { ProtocolCounts } from "./protocol/protocol.js";
export type { PeerStatistics } from "./protocol/statistics.js";
export type { LossCause, TraceFact, TraceListener } from "./protocol/trace.js";
export type { Receipt, RemotePeer } from "./remote-peer.js";
export type { PeerReport } from "./report.js";
export type { DeliveryOptions, Progress, SendOptions } from "./send-options.js";
export { SESSIONLESS_KIND, type Sessionless, type SessionlessListener } from "./sessionless.js";
export type { TransferReport } from "./transfers.js";
