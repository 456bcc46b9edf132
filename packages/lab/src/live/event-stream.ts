/** One event of a stream: its name, `message` if it has none, and its data. */
export interface StreamEvent {
  readonly name: string;
  readonly data: string;
}

/** The largest event that is taken, characters; a snapshot has a few hundred thousand. */
export const EVENT_CHARACTERS_MAX = 4_000_000;

/**
 * Reads server-sent events piece by piece; HTML standard, section 9.2.6. Comments, ids and retry
 * times are passed over.
 */
export class EventStreamReader {
  #rest = "";
  #name = "";
  #data: string[] = [];
  #characters = 0;

  /**
   * @returns the events that this piece completes
   * @throws RangeError for an event beyond {@link EVENT_CHARACTERS_MAX}
   */
  read(piece: string): StreamEvent[] {
    const lines = (this.#rest + piece).split("\n");
    this.#rest = lines.pop() ?? "";
    const events: StreamEvent[] = [];
    for (const line of lines) {
      const event = this.#readLine(line.endsWith("\r") ? line.slice(0, -1) : line);
      if (event) events.push(event);
    }
    if (this.#characters + this.#rest.length > EVENT_CHARACTERS_MAX) {
      throw new RangeError("An event of the stream is longer than any that a gateway sends.");
    }
    return events;
  }

  #readLine(line: string): StreamEvent | undefined {
    if (line === "") return this.#finish();
    this.#characters += line.length;
    const colon = line.indexOf(":");
    const field = colon < 0 ? line : line.slice(0, colon);
    const value = colon < 0 ? "" : line.slice(colon + 1).replace(/^ /, "");
    if (field === "event") this.#name = value;
    if (field === "data") this.#data.push(value);
    return undefined;
  }

  #finish(): StreamEvent | undefined {
    const event =
      this.#data.length > 0
        ? { name: this.#name || "message", data: this.#data.join("\n") }
        : undefined;
    this.#name = "";
    this.#data = [];
    this.#characters = 0;
    return event;
  }
}
