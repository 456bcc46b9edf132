import type { EventLog } from "./event-log.js";
import { byteSize, counted } from "./figures.js";

/** So many arrivals of one interval get an event each; more of them share one. */
export const ARRIVALS_TOLD_MAX = 3;

/** One message that arrived, or several of one peer that were not told apart. */
export interface Arrival {
  readonly atUs: number;
  /** Its address as text, and how a sentence calls it. */
  readonly peer: string;
  readonly called: string;
  readonly messages: number;
  readonly bytes: number;
  readonly isRequest: boolean;
}

/** Makes events of messages, and keeps many of them from pushing everything else out of the list. */
export class MessageNotes {
  readonly #log: EventLog;
  readonly #first: Arrival[] = [];
  readonly #peers = new Set<string>();
  #arrivals = 0;
  #messages = 0;
  #requests = 0;
  #bytes = 0;

  constructor(log: EventLog) {
    this.#log = log;
  }

  add(arrival: Arrival): void {
    if (this.#first.length < ARRIVALS_TOLD_MAX) this.#first.push(arrival);
    this.#arrivals++;
    this.#peers.add(arrival.peer);
    this.#messages += arrival.messages;
    this.#bytes += arrival.bytes;
    if (arrival.isRequest) this.#requests++;
  }

  /** An interval is over. */
  finish(atUs: number): void {
    if (this.#arrivals > ARRIVALS_TOLD_MAX) this.#tellTogether(atUs);
    else for (const arrival of this.#first) this.#tell(arrival);
    this.#first.length = 0;
    this.#peers.clear();
    this.#arrivals = 0;
    this.#messages = 0;
    this.#requests = 0;
    this.#bytes = 0;
  }

  #tell({ atUs, peer, called, messages, bytes, isRequest }: Arrival): void {
    const kind = isRequest ? "request" : "message";
    const what =
      messages > 1
        ? `${counted(messages, "message")}, together ${byteSize(bytes)},`
        : `${isRequest ? "Request" : "Message"} of ${byteSize(bytes)}`;
    this.#log.add({ atUs, kind, peer, text: `${what} from ${called}.`, isTrouble: false });
  }

  #tellTogether(atUs: number): void {
    const what = counted(this.#messages, "message");
    const whom = counted(this.#peers.size, "peer");
    const asked = this.#requests > 0 ? `, ${counted(this.#requests, "request")} among them` : "";
    const text = `${what} from ${whom}, together ${byteSize(this.#bytes)}${asked}.`;
    this.#log.add({ atUs, kind: "message", text, isTrouble: false });
  }
}
