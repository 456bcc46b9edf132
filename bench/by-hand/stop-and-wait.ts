import type { TimerHandle } from "@fardel/core";
import { decodeAck, framesOf } from "./fragments.js";
import type { Sender, SenderEnd, SenderOptions } from "./sender.js";

/** So many that it is never reached below a loss of 0.9 each way; still, nothing lasts for ever. */
const ATTEMPTS_MAX = 1000;
const MESSAGE = 1;

/**
 * One fragment at a time: it is sent again after a fixed timeout until its ack has come. The timeout
 * runs from the moment at which the link says that the frame has left.
 */
export class StopAndWaitSender implements Sender {
  readonly #options: SenderOptions;
  readonly #timeoutUs: number;
  readonly #attemptsMax: number;
  readonly #frames: readonly Uint8Array[];
  #index = 0;
  #attempts = 0;
  #isOver = false;
  #timer: TimerHandle | undefined;

  constructor(options: SenderOptions, timeoutUs: number, attemptsMax = ATTEMPTS_MAX) {
    this.#options = options;
    this.#timeoutUs = timeoutUs;
    this.#attemptsMax = attemptsMax;
    this.#frames = framesOf(MESSAGE, options.bytes, options.link.mtuBytes);
  }

  start(): void {
    this.#attempt();
  }

  handleDatagram(datagram: Uint8Array): void {
    const ack = decodeAck(datagram);
    // An ack for an earlier fragment is one that was sent twice.
    if (this.#isOver || ack?.message !== MESSAGE || ack.index !== this.#index) return;
    this.#clearTimer();
    this.#index++;
    this.#attempts = 0;
    if (this.#index === this.#frames.length) this.#end("acknowledged");
    else this.#attempt();
  }

  stop(): void {
    this.#isOver = true;
    this.#clearTimer();
  }

  #attempt(): void {
    const frame = this.#frames[this.#index];
    if (!frame || this.#isOver) return;
    if (this.#attempts === this.#attemptsMax) {
      this.#end("given-up");
      return;
    }
    const attempt = ++this.#attempts;
    const index = this.#index;
    const { link, to, clock, airtimeUs } = this.#options;
    const leftUs = clock.nowUs() + (airtimeUs?.(frame.length) ?? 0);
    // A frame that the link refuses is as good as lost.
    link.send(to, frame, () => {
      if (this.#isOver || index !== this.#index || attempt !== this.#attempts) return;
      const dueUs = Math.max(leftUs, clock.nowUs()) + this.#timeoutUs;
      this.#timer = clock.setTimer(dueUs, () => this.#attempt());
    });
  }

  #end(end: SenderEnd): void {
    this.stop();
    this.#options.onEnd(end);
  }

  #clearTimer(): void {
    if (this.#timer !== undefined) this.#options.clock.clearTimer(this.#timer);
    this.#timer = undefined;
  }
}
