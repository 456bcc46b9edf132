import { indexInWay, isExchange, type Way, wayOfChannel } from "./channels.js";
import type { Acceptance } from "./config.js";
import type { Peer } from "./peer.js";
import type { ReceiveSink } from "./receive-channel.js";

/** Streams of one peer that its owner has not taken yet; PROTOCOL.md, section 11. */
export const STREAMS_WAITING_MAX = 16;

/** Turns what the channels of one session receive into events, and asks the owner what it takes. */
export class PeerSink implements ReceiveSink {
  constructor(
    readonly peer: Peer,
    readonly session: object,
  ) {}

  /** Requests and replies are the endpoint's own, and always whole. */
  judge(channel: number, totalBytes: number | undefined): Acceptance {
    const { accept } = this.peer.config;
    if (!accept || isExchange(channel)) return "whole";
    const { address } = this.peer;
    return accept({
      address,
      way: wayOfChannel(channel),
      channel: indexInWay(channel),
      totalBytes,
    });
  }

  deliver(channel: number, bytes: Uint8Array, heldBytes: number): void {
    this.#received(wayOfChannel(channel), channel, bytes, heldBytes);
  }

  /** An unacknowledged message. */
  deliverLoose(lane: number, bytes: Uint8Array, heldBytes: number): void {
    this.#received("unacknowledged", lane, bytes, heldBytes);
  }

  openStream(wireChannel: number, totalBytes: number | undefined): number {
    const { peer } = this;
    const stream = peer.environment.nextStream();
    peer.streamsWaiting++;
    const way = wayOfChannel(wireChannel);
    peer.environment.emit({ type: "stream-opened", peer, stream, way, wireChannel, totalBytes });
    return stream;
  }

  hasStreamRoom(): boolean {
    return this.peer.streamsWaiting < STREAMS_WAITING_MAX;
  }

  streamData(stream: number, bytes: Uint8Array, heldBytes: number): void {
    const { peer } = this;
    peer.environment.emit({ type: "stream-data", peer, stream, bytes, heldBytes });
  }

  endStream(stream: number): void {
    const { peer } = this;
    peer.statistics.messagesReceived++;
    peer.environment.emit({ type: "stream-ended", peer, stream });
  }

  failStream(stream: number, code: "damaged" | "sender-gave-up"): void {
    const { peer } = this;
    peer.environment.emit({ type: "stream-failed", peer, stream, code });
  }

  #received(way: Way, wireChannel: number, bytes: Uint8Array, heldBytes: number): void {
    const { peer, session } = this;
    peer.statistics.messagesReceived++;
    peer.statistics.messageBytesReceived += bytes.length;
    peer.environment.emit({
      type: "message-received",
      peer,
      session,
      way,
      wireChannel,
      bytes,
      heldBytes,
    });
  }
}
