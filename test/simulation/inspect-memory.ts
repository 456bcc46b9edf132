import { BrokenPromise } from "./oracle.js";
import type { Station } from "./station.js";

/** How often the budgets of single peers are looked at: once in so many events for each station. */
const EACH_EVERY = 256;

/**
 * Promise 5: what one station holds, and now and then what it holds for each peer, against its
 * budgets. Called after each event: the stations take turns.
 * @throws BrokenPromise
 */
export function inspectMemory(stations: readonly Station[], events: number): void {
  const { endpoint, config, index } = stations[events % stations.length] as Station;
  if (!endpoint) return;
  const { heldBytes } = endpoint;
  if (heldBytes < 0 || heldBytes > config.totalBytesMax)
    throw new BrokenPromise(
      `Station ${index} holds ${heldBytes} of ${config.totalBytesMax} bytes.`,
    );
  // In a crowd, looking at all peers each time would cost more than the run itself.
  if (events % (EACH_EVERY * stations.length) >= stations.length) return;
  for (const report of endpoint.reports()) {
    if (report.heldBytes < 0 || report.heldBytes > config.peerBytesMax)
      throw new BrokenPromise(
        `Station ${index} holds ${report.heldBytes} of ${config.peerBytesMax} bytes for a peer.`,
      );
    if (
      report.queuedBytes > config.sendQueueBytesMax ||
      report.queuedMessages > config.sendQueueMessagesMax
    )
      throw new BrokenPromise(
        `Station ${index} queues ${report.queuedMessages} of ${config.sendQueueMessagesMax} messages, ${report.queuedBytes} of ${config.sendQueueBytesMax} bytes.`,
      );
  }
}
