import { EVENTS_MAX, type LiveEvent } from "./snapshot.js";

/** An event before it has its number. */
export type NewEvent = Omit<LiveEvent, "number">;

/** The last events, numbered. Of more than {@link EVENTS_MAX} the oldest give way. */
export class EventLog {
  readonly #events: LiveEvent[] = [];
  #lastNumber = 0;

  add(event: NewEvent): void {
    this.#lastNumber++;
    this.#events.push({ number: this.#lastNumber, ...event });
    if (this.#events.length > EVENTS_MAX) this.#events.shift();
  }

  /** What came after that number, oldest first. */
  after(number: number): LiveEvent[] {
    const newer = this.#lastNumber - number;
    return newer <= 0 ? [] : this.#events.slice(-newer);
  }
}
