import type { Clock } from "./clock.js";
import type { Driver } from "./driver.js";
import type { Address } from "./link.js";
import { invalidOption } from "./protocol/config.js";
import { FardelError } from "./protocol/errors.js";
import type { MessageEnd } from "./protocol/events.js";
import { looseBytesMax } from "./protocol/loose.js";
import { OutgoingMessage } from "./protocol/outgoing-message.js";
import type { Protocol } from "./protocol/protocol.js";
import type { Receipt } from "./remote-peer.js";
import { type DeliveryOptions, deadlineUs } from "./send-options.js";
import { abortError, sentenceFor } from "./sentences.js";

/** The promise of one message. */
interface Settler {
  readonly startedUs: number;
  readonly onProgress: DeliveryOptions["onProgress"];
  resolve(receipt: Receipt): void;
  reject(error: FardelError): void;
}

/** Messages on their way out, and the promises that tell how they ended. */
export class Outbox {
  readonly #settlers = new Map<OutgoingMessage, Settler>();
  readonly #protocol: Protocol;
  readonly #clock: Clock;
  #nextId = 0;

  constructor(readonly driver: Driver) {
    this.#protocol = driver.protocol;
    this.#clock = driver.clock;
  }

  /** @param channel - wire channel, or lane of an unacknowledged message */
  async send(
    address: Address,
    bytes: Uint8Array,
    options: DeliveryOptions,
    channel: number,
    isLoose: boolean,
    isAnswer = false,
  ): Promise<Receipt> {
    const nowUs = this.#clock.nowUs();
    const dueUs = deadlineUs(options.deadlineMs, nowUs);
    const { signal, onProgress } = options;
    this.#check(address, bytes, isLoose);
    if (signal?.aborted) throw abortError(signal, "none");
    const message = new OutgoingMessage(this.#nextId++, channel, bytes.slice(), {
      priority: options.priority ?? "normal",
      deadlineUs: dueUs,
      afterRestart: options.afterRestart ?? "report",
      firstContact: options.firstContact ?? "data",
      isAnswer,
      wantsProgress: onProgress !== undefined,
    });
    const peer = this.#protocol.peer(address);
    const onAbort = () => {
      this.#protocol.abort(peer, message, this.#clock.nowUs());
      this.driver.pumpSoon();
    };
    const ended = new Promise<Receipt>((resolve, reject) => {
      this.#settlers.set(message, { startedUs: nowUs, onProgress, resolve, reject });
    });
    signal?.addEventListener("abort", onAbort, { once: true });
    this.#protocol.send(peer, message, isLoose, nowUs);
    this.driver.pumpSoon();
    try {
      return await ended;
    } catch (error) {
      throw error instanceof FardelError && error.code === "aborted"
        ? abortError(signal, error.delivery)
        : error;
    } finally {
      signal?.removeEventListener("abort", onAbort);
    }
  }

  #check(address: Address, bytes: Uint8Array, isLoose: boolean): void {
    if (!(bytes instanceof Uint8Array)) throw invalidOption("bytes", "they are not a Uint8Array");
    if (!this.driver.isRunning)
      throw new FardelError("endpoint-closed", sentenceFor("endpoint-closed"), "none");
    const { config } = this.#protocol;
    const bytesMax = isLoose ? looseBytesMax(this.driver.link.mtuBytes) : config.sendQueueBytesMax;
    if (bytes.length > bytesMax) {
      const sentence = `A message of ${bytes.length} bytes is larger than the ${bytesMax} that can be sent this way. Split it.`;
      throw new FardelError("message-too-large", sentence, "none");
    }
    const peer = this.#protocol.find(address);
    const isFull =
      (peer?.queuedMessages ?? 0) >= config.sendQueueMessagesMax ||
      (peer?.queuedBytes ?? 0) + bytes.length > config.sendQueueBytesMax;
    if (isFull) throw new FardelError("queue-full", sentenceFor("queue-full"), "none");
  }

  progressOf(message: OutgoingMessage): (() => void) | undefined {
    const onProgress = this.#settlers.get(message)?.onProgress;
    return (
      onProgress &&
      (() =>
        onProgress({
          acknowledgedBytes: message.acknowledgedBytes,
          totalBytes: message.bytes.length,
        }))
    );
  }

  settle(message: OutgoingMessage, end: MessageEnd): void {
    const settler = this.#settlers.get(message);
    this.#settlers.delete(message);
    if (end.outcome === "failed") {
      settler?.reject(new FardelError(end.code, sentenceFor(end.code, end.reason), end.delivery));
    } else {
      settler?.resolve({
        outcome: end.outcome,
        bytes: message.bytes.length,
        fragmentsSent: message.fragmentsSent - message.fragmentsRepeated,
        fragmentsRepeated: message.fragmentsRepeated,
        elapsedUs: this.#clock.nowUs() - settler.startedUs,
      });
    }
    this.#clock.wakeWaiters?.();
  }
}
