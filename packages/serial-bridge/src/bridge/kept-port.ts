import type { Clock, TimerHandle } from "@fardel/core";
import type { BytePort, PortSource } from "../byte-port.js";
import { REOPEN_US, REOPEN_US_MAX } from "../limits.js";

/** What a {@link KeptPort} tells its owner. */
export interface KeptPortHandlers {
  /** The array is valid during the call only. */
  onBytes(bytes: Uint8Array): void;
  /** The port is open, again, or takes more bytes. */
  onReady(): void;
}

/** A port that is opened again whenever it is gone, waiting longer each time. @see BRIDGE.md, section 12 */
export class KeptPort {
  readonly #source: PortSource;
  readonly #bitRate: number;
  readonly #clock: Clock;
  readonly #handlers: KeptPortHandlers;
  #port: BytePort | undefined;
  #isWriting = false;
  #isClosed = false;
  #timer: TimerHandle;
  #waitUs = REOPEN_US;
  /** Counts openings: what an earlier one still has to say is not heard any more. */
  #openings = 0;

  constructor(source: PortSource, bitRate: number, clock: Clock, handlers: KeptPortHandlers) {
    this.#source = source;
    this.#bitRate = bitRate;
    this.#clock = clock;
    this.#handlers = handlers;
  }

  /** Whether it takes bytes now. */
  get isReady(): boolean {
    return this.#port !== undefined && !this.#isWriting;
  }

  /** Bits per second; `undefined` where there is no such thing, or no port now. */
  get bitRate(): number | undefined {
    return this.#port?.bitRate;
  }

  /** The first opening. @throws what the source throws */
  async open(): Promise<void> {
    const opening = ++this.#openings;
    const isCurrent = () => opening === this.#openings && !this.#isClosed;
    let isGone = false;
    const port = await this.#source.open(this.#bitRate, {
      onBytes: (bytes) => {
        if (isCurrent()) this.#handlers.onBytes(bytes);
      },
      onClosed: () => {
        isGone = true;
        if (isCurrent() && this.#port) this.#lose();
      },
    });
    if (this.#isClosed) {
      await port.close();
      return;
    }
    if (isGone) {
      this.#lose();
      return;
    }
    this.#port = port;
    this.#isWriting = false;
    this.#waitUs = REOPEN_US;
    this.#handlers.onReady();
  }

  /** Only when it {@link isReady}. */
  write(bytes: Uint8Array): void {
    const port = this.#port;
    if (!port || this.#isWriting) return;
    this.#isWriting = true;
    port.write(bytes, () => {
      if (port !== this.#port) return;
      this.#isWriting = false;
      this.#handlers.onReady();
    });
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    this.#clock.clearTimer(this.#timer);
    const port = this.#port;
    this.#port = undefined;
    await port?.close();
  }

  #lose(): void {
    this.#port = undefined;
    this.#isWriting = false;
    this.#timer = this.#clock.setTimer(this.#clock.nowUs() + this.#waitUs, () => {
      this.#waitUs = Math.min(2 * this.#waitUs, REOPEN_US_MAX);
      // Whatever fails now may work later: a port that is missing, busy or of another user.
      this.open().catch(() => {
        if (!this.#isClosed) this.#lose();
      });
      // Virtual time must not go on before it is open.
      this.#clock.wakeWaiters?.();
    });
  }
}
