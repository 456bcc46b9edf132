import {
  ACK_MAP_BYTES_MAX,
  ackFrameBytes,
  encodeAck,
  markAckTruncated,
} from "../wire/ack-frame.js";
import type { ByteWriter } from "../wire/byte-writer.js";
import type { DataFrame } from "../wire/data-frame.js";
import { encodeStop, STOP_FRAME_BYTES } from "../wire/stop-frame.js";
import type { Budget } from "./budget.js";
import { CHANNEL_COUNT } from "./channels.js";
import {
  ReceiveChannel,
  type ReceiveLimits,
  type ReceiveSink,
  type Taken,
} from "./receive-channel.js";

const map = new Uint8Array(ACK_MAP_BYTES_MAX);

/** The receiving side of one session: its channels, and the acks that tell of them. */
export class Receiver {
  readonly #channels: ReceiveChannel[] = [];
  readonly #byNumber: (ReceiveChannel | undefined)[] = new Array(CHANNEL_COUNT).fill(undefined);

  /** @param start - first fragment number of every channel, from the peer's token */
  constructor(
    readonly start: number,
    readonly limits: ReceiveLimits,
    readonly budget: Budget,
    readonly waitingBudget: Budget,
    readonly sink: ReceiveSink,
  ) {}

  handleData(frame: DataFrame): Taken {
    const channel = this.#channel(frame.channel);
    channel.mentions = 2;
    return channel.accept(frame);
  }

  /** @returns false if the frame asks for what cannot be. */
  handleSkip(channelNumber: number, next: number): boolean {
    const channel = this.#channel(channelNumber);
    channel.mentions = 2;
    return channel.skipTo(next);
  }

  get channels(): readonly ReceiveChannel[] {
    return this.#channels;
  }

  find(predicate: (channel: ReceiveChannel) => boolean): ReceiveChannel | undefined {
    return this.#channels.find(predicate);
  }

  /** Room was made: move on, and see whether a window is worth telling. */
  refresh(): boolean {
    let isWorthTelling = false;
    for (const channel of this.#channels) {
      channel.drain();
      if (channel.isWindowWorthTelling) {
        channel.mentions = Math.max(1, channel.mentions);
        isWorthTelling = true;
      }
    }
    return isWorthTelling;
  }

  /** Part of a message is here, and the rest is to come. */
  get holdsPart(): boolean {
    for (const channel of this.#channels) if (channel.holdsPart) return true;
    return false;
  }

  /** A question without data: its sender wants to know how all channels stand. */
  mentionAll(): void {
    // A round that is under way for want of room is finished first, or it would never be.
    if (this.#channels.some((channel) => channel.mentions > 0)) return;
    // Each round begins one channel further: a short queue on the way, which drops the same ones of
    // every burst, would hide a channel for ever.
    this.#channels.push(...this.#channels.splice(0, 1));
    for (const channel of this.#channels) channel.mentions = 1;
  }

  /** Room may have been made anywhere: move on what waits for it. */
  drain(): void {
    for (const channel of this.#channels) channel.drain();
  }

  /** Bytes that {@link writeAcks} would like to have now. */
  ackBytes(): number {
    let bytes = 0;
    for (const channel of this.#channels) {
      if (channel.mentions > 0) bytes += ackFrameBytes(channel.writeMap(map));
    }
    return bytes || ackFrameBytes(0);
  }

  /**
   * Write the STOPs that are due, then an ACK for each channel that has something to tell, the newest
   * news first and the rest in turn. What finds no room stays for the next ack, and this one says
   * that it is incomplete.
   * @param largest - greatest datagram number received
   * @param isPrompt - the ack answers that very datagram
   * @returns false if something found no room and must follow
   */
  writeAcks(out: ByteWriter, largest: number, isPrompt: boolean): boolean {
    for (const channel of this.#channels) {
      if (!channel.stop || out.room < STOP_FRAME_BYTES + ackFrameBytes(0)) continue;
      encodeStop(out, channel.channel, channel.stop.first, channel.stop.reason);
      channel.stop = undefined;
    }
    const due = this.#channels.filter((channel) => channel.mentions > 0);
    due.sort((a, b) => b.mentions - a.mentions);
    if (due.length === 0) due.push(this.#channel(0));
    let lastMapBytes = -1;
    for (const channel of due) {
      const mapBytes = channel.writeMap(map);
      // Only the first map may be cut: the others wait until they fit.
      const isFirst = lastMapBytes < 0;
      if (!isFirst && out.room < ackFrameBytes(mapBytes)) {
        markAckTruncated(out, lastMapBytes);
        return false;
      }
      const fitting = Math.min(mapBytes, out.room - ackFrameBytes(0));
      lastMapBytes = fitting;
      const window = channel.stateWindow();
      encodeAck(
        out,
        channel.channel,
        largest & 0xffff,
        channel.next,
        window,
        isPrompt,
        fitting < mapBytes,
        map,
        fitting,
      );
      channel.mentions = Math.max(0, channel.mentions - 1);
    }
    return true;
  }

  /** The session is over. @returns streams that were in progress */
  close(): number[] {
    return this.#channels.map((channel) => channel.close()).filter((stream) => stream >= 0);
  }

  #channel(number: number): ReceiveChannel {
    let channel = this.#byNumber[number];
    if (!channel) {
      channel = new ReceiveChannel(
        number,
        this.start,
        this.limits,
        this.budget,
        this.waitingBudget,
        this.sink,
      );
      this.#byNumber[number] = channel;
      this.#channels.push(channel);
    }
    return channel;
  }
}
