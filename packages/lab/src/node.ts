/**
 * The lab's page, served by a running gateway: for a program of Node.js that wants to be looked at.
 *
 * @packageDocumentation
 */

export {
  LiveWatch,
  type LiveWatchOptions,
  type SnapshotRequest,
  type WatchedEndpoint,
} from "./live/live-watch.js";
export type {
  LiveEvent,
  LiveEventKind,
  LiveLink,
  LivePeer,
  LivePoint,
  LiveSnapshot,
  LiveTotals,
  LiveTransfer,
  PeerOrder,
} from "./live/snapshot.js";
export { isLoopback } from "./node/host-names.js";
export { LabServerError, type LabServerErrorCode } from "./node/lab-server-error.js";
export { type LabServer, type LabServerOptions, serveLab } from "./node/serve-lab.js";
