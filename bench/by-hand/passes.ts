import type { TimerHandle } from "@fardel/core";
import { framesOf } from "./fragments.js";
import type { Sender, SenderOptions } from "./sender.js";

const MESSAGE = 1;

/**
 * Everything several times over, without acks: whole passes rather than each fragment thrice in a row,
 * so that the same disturbance does not take all copies of one. The next frame goes when the link says
 * that the last one has left.
 */
export class PassesSender implements Sender {
  readonly #options: SenderOptions;
  readonly #frames: readonly Uint8Array[];
  readonly #sendsMax: number;
  #sends = 0;
  #isOver = false;
  #timer: TimerHandle | undefined;
  /** When the next frame may go; accumulates from the first, so that late timers do not add up. */
  #nextUs = 0;

  constructor(options: SenderOptions, passes: number) {
    this.#options = options;
    this.#frames = framesOf(MESSAGE, options.bytes, options.link.mtuBytes);
    this.#sendsMax = passes * this.#frames.length;
  }

  start(): void {
    this.#nextUs = this.#options.clock.nowUs();
    this.#sendNext();
  }

  handleDatagram(): void {
    // Nobody answers.
  }

  stop(): void {
    this.#isOver = true;
    if (this.#timer !== undefined) this.#options.clock.clearTimer(this.#timer);
  }

  #sendNext(): void {
    const frame = this.#frames[this.#sends % this.#frames.length];
    if (!frame || this.#isOver) return;
    this.#sends++;
    const { link, to, clock, airtimeUs } = this.#options;
    this.#nextUs += airtimeUs?.(frame.length) ?? 0;
    link.send(to, frame, () => {
      if (this.#isOver) return;
      if (this.#nextUs > clock.nowUs()) {
        this.#timer = clock.setTimer(this.#nextUs, () => this.#advance());
      } else this.#advance();
    });
  }

  #advance(): void {
    if (this.#sends < this.#sendsMax) {
      this.#sendNext();
      return;
    }
    this.stop();
    this.#options.onEnd("sent");
  }
}
