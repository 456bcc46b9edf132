import type { Clock } from "@fardel/core";
import type { BridgeFacts } from "../bridge-frames.js";
import { SerialBridgeError } from "../errors.js";
import type { Connection } from "./connection.js";
import type { ChannelAnswer } from "./host-events.js";
import { Pending } from "./pending.js";

interface Asked {
  readonly channel: number;
  /** Whoever waits for it; nobody when it is set again in a new session. */
  readonly pending: Pending<void> | undefined;
}

/** The radio channel that the owner wants: asked for one after the other, and again after a restart. */
export class RadioChannel {
  readonly #clock: Clock;
  readonly #label: string;
  /** What was set last; a board that restarts does not know it any more. */
  #wanted: number | undefined;
  #asked: Asked | undefined;
  #turn: Promise<void> = Promise.resolve();
  #connection: Connection | undefined;

  constructor(clock: Clock, label: string) {
    this.#clock = clock;
    this.#label = label;
  }

  /** @throws {@link SerialBridgeError} see `SerialBridgeLink.setRadioChannel` */
  set(channel: number, canSet: boolean): Promise<void> {
    if (!Number.isInteger(channel) || channel < 1 || channel > 255) {
      throw new SerialBridgeError(
        "invalid-option",
        `The radio channel ${channel} is not a whole number from 1 to 255.`,
      );
    }
    if (!canSet) throw this.#refused(`The bridge on ${this.#label} cannot set its radio channel.`);
    const turn = this.#turn.then(() => this.#ask(channel));
    this.#turn = turn.catch(() => {});
    return turn;
  }

  /**
   * A session has begun.
   * @returns whether the channel is being set again first, and the link has to wait for the answer
   */
  begin(connection: Connection, facts: BridgeFacts): boolean {
    this.#connection = connection;
    const channel = this.#wanted;
    if (channel === undefined || channel === facts.channel || !facts.canSetChannel) return false;
    this.#asked = { channel, pending: undefined };
    connection.setChannel(channel);
    return true;
  }

  /** The session is over. */
  end(): void {
    this.#connection = undefined;
  }

  /** @returns whether this was what the link had to wait for */
  handleAnswer(answer: ChannelAnswer): boolean {
    const asked = this.#asked;
    this.#asked = undefined;
    if (!asked) return false;
    // What cannot be set again stays as it is: the link had better be up than off for ever.
    if (!asked.pending) return answer.result !== "session-lost";
    if (answer.result === "set") {
      this.#wanted = asked.channel;
      asked.pending.resolve();
    } else asked.pending.reject(this.#errorFor(asked.channel, answer));
    return false;
  }

  /** Nobody will answer any more. */
  abandon(error: SerialBridgeError): void {
    this.#connection = undefined;
    this.#asked?.pending?.reject(error);
    this.#asked = undefined;
  }

  #ask(channel: number): Promise<void> {
    if (!this.#connection) throw this.#down();
    const pending = new Pending<void>(this.#clock);
    this.#asked = { channel, pending };
    this.#connection.setChannel(channel);
    return pending.promise;
  }

  #errorFor(channel: number, answer: ChannelAnswer): SerialBridgeError {
    switch (answer.result) {
      case "session-lost":
        return this.#down();
      case "not-answered":
        return new SerialBridgeError(
          "no-answer",
          `The bridge on ${this.#label} did not say whether it set radio channel ${channel}. Try again.`,
        );
      case "not-allowed":
        return this.#refused(
          `The bridge on ${this.#label} does not allow radio channel ${channel}. Choose one that local rules allow.`,
        );
      case "busy":
        return this.#refused(
          `The bridge on ${this.#label} is busy with datagrams and did not set radio channel ${channel}. Try again.`,
        );
      default:
        return this.#refused(
          `The bridge on ${this.#label} could not set radio channel ${channel}.`,
        );
    }
  }

  #refused(sentence: string): SerialBridgeError {
    return new SerialBridgeError("channel-refused", sentence);
  }

  #down(): SerialBridgeError {
    return new SerialBridgeError(
      "link-down",
      `The bridge on ${this.#label} cannot be reached, so its radio channel is as it was, or not known. Set it again when the link is up.`,
    );
  }
}
