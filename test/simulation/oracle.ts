import type { FardelErrorCode, Way } from "@fardel/core";
import { idOf, NAMED_BYTES_MIN, payloadOf, sameBytes } from "./payload.js";

/** One boot of one endpoint. */
export interface Incarnation {
  readonly station: number;
  readonly boot: number;
  readonly startUs: number;
  /** When it was abandoned; `Infinity` while it lives. */
  endUs: number;
}

/** What the oracle remembers of a message, from the call that sent it. */
export interface Sent {
  readonly id: number;
  readonly from: Incarnation;
  readonly to: number;
  readonly kind: "message" | "request";
  readonly bytes: number;
  readonly way: Way;
  /** Number within the way, as the receiver will see it. */
  readonly channel: number;
  /** Of its priority: 0 bulk, 1 normal, 2 urgent. */
  readonly rank: number;
  readonly atUs: number;
  readonly dueUs: number;
  readonly resends: boolean;
  readonly isHeldBack: boolean;
  /** Deliveries by each incarnation of the receiver. */
  readonly deliveries: Map<Incarnation, number>;
  end: Ending | undefined;
  /** Its receiver has left it unread, on purpose. */
  isLeftUnread: boolean;
  /**
   * A request whose answer cannot come: the application at the other end was restarted, or its
   * session was over before it answered. Its asker hears of that at the deadline, if not before.
   */
  isUnanswerable: boolean;
}

/** How a send or a request ended for its caller. */
export interface Ending {
  readonly atUs: number;
  /** Of a receipt, or `replied`. */
  readonly outcome?: "delivered" | "replaced" | "sent" | "replied";
  readonly code?: FardelErrorCode;
  readonly delivery?: "none" | "unknown" | undefined;
}

/** Something that arrived, as the application sees it. */
export interface Arrival {
  readonly kind: "message" | "request";
  /** In one piece, or as a stream: the two have readers of their own, so their order is not compared. */
  readonly form: "whole" | "stream";
  /** Station that it came from. */
  readonly from: number;
  readonly way: Way;
  readonly channel: number;
  readonly bytes: Uint8Array;
}

/** A rule of PROTOCOL.md, section 12, was broken. */
export class BrokenPromise extends Error {
  override readonly name = "BrokenPromise";
}

/**
 * Knows what was sent and what arrived, nothing of how. Says whether the two fit together, after each
 * arrival and at the end of a run. Uses no code of the protocol.
 *
 * Messages of fewer than four bytes have no number in them: of those it only counts that no more
 * arrive than were sent.
 */
export class Oracle {
  readonly #sent: Sent[] = [];
  readonly #openMessages = new Set<Sent>();
  /** Greatest number delivered for the first time, by sender, receiver and channel. */
  readonly #newest = new Map<string, number>();
  readonly #nameless = new Map<string, { sent: number; arrived: number }>();
  /** Sessions that ended, by pair of stations, with the instant of the last one. */
  readonly #sessionEnds = new Map<string, number[]>();
  arrivals = 0;
  /** Told of each request that nobody should wait for any more. */
  onUnanswerable: (sent: Sent) => void = () => {};
  sessionEnds = 0;

  constructor(readonly nowUs: () => number) {}

  /** Messages and requests that have not ended for their senders. */
  get openMessages(): Iterable<Sent> {
    return this.#openMessages;
  }

  get sent(): readonly Sent[] {
    return this.#sent;
  }

  noteSent(
    message: Omit<Sent, "id" | "deliveries" | "end" | "isLeftUnread" | "isUnanswerable">,
  ): Sent {
    const sent: Sent = {
      ...message,
      id: this.#sent.length,
      deliveries: new Map(),
      end: undefined,
      isLeftUnread: false,
      isUnanswerable: false,
    };
    this.#sent.push(sent);
    this.#openMessages.add(sent);
    if (sent.bytes < NAMED_BYTES_MIN) this.#countOf(sent.from.station, sent.to, sent).sent++;
    return sent;
  }

  noteSessionEnd(one: number, other: number): void {
    const key = pairKey(one, other);
    this.sessionEnds++;
    this.#sessionEnds.set(key, [...(this.#sessionEnds.get(key) ?? []), this.nowUs()]);
  }

  hasSessionEnded(one: number, other: number, sinceUs: number): boolean {
    return this.#sessionEnds.get(pairKey(one, other))?.some((atUs) => atUs >= sinceUs) ?? false;
  }

  noteArrival(receiver: Incarnation, arrival: Arrival): void {
    this.arrivals++;
    if (arrival.bytes.length < NAMED_BYTES_MIN) this.#takeNameless(receiver, arrival);
    else this.#takeNamed(receiver, arrival);
  }

  /** The receiver of a stream has stopped reading after these bytes, at least the first four. */
  noteLeftUnread(start: Uint8Array): void {
    const sent = this.#sent[idOf(start)];
    if (!sent)
      throw new BrokenPromise(`Message ${idOf(start)} began to arrive, but was never sent.`);
    if (!sameBytes(start, payloadOf(sent.id, start.length)))
      this.#fail(sent, "began with other bytes");
    sent.isLeftUnread = true;
  }

  /** The answer to a request cannot come. */
  noteUnanswerable(sent: Sent): void {
    if (sent.end || sent.isUnanswerable) return;
    sent.isUnanswerable = true;
    this.onUnanswerable(sent);
  }

  /** Every rule that an ending must keep on its own. */
  noteEnd(sent: Sent, end: Ending): void {
    if (sent.end) this.#fail(sent, "ended twice");
    sent.end = end;
    this.#openMessages.delete(sent);
    if (end.atUs > sent.dueUs)
      this.#fail(sent, `ended ${end.atUs - sent.dueUs} µs after its deadline`);
    if (end.code === "deadline-passed" && end.atUs < sent.dueUs)
      this.#fail(sent, "its deadline has not passed");
    if (end.outcome === "replaced" && sent.way !== "latest")
      this.#fail(sent, "only latest is replaced");
    if (end.outcome === "sent" && sent.way !== "unacknowledged")
      this.#fail(sent, "only an unacknowledged message ends as sent");
  }

  /**
   * When nothing is under way any more: receipts and arrivals must agree.
   * @param incarnations - all that there were
   * @param holdsParts - whether a station still holds what waits for senders that may be gone
   */
  checkAgreement(
    incarnations: readonly Incarnation[],
    holdsParts: (station: number) => boolean = () => false,
  ): void {
    for (const sent of this.#sent) {
      if (!sent.end) continue;
      const { outcome, delivery } = sent.end;
      const count = [...sent.deliveries.values()].reduce((sum, each) => sum + each, 0);
      if (delivery === "none" && count > 0)
        this.#fail(sent, "arrived, but its error says it cannot have");
      const isClaimed = outcome === "delivered" || outcome === "replied";
      if (!isClaimed || sent.isLeftUnread || sent.bytes < NAMED_BYTES_MIN || count > 0) continue;
      const isForgotten = incarnations.some(
        ({ station, endUs }) =>
          station === sent.to && endUs >= sent.atUs && endUs !== Number.POSITIVE_INFINITY,
      );
      const isAbandoned = sent.from.endUs !== Number.POSITIVE_INFINITY && holdsParts(sent.to);
      if (!isForgotten && !isAbandoned)
        this.#fail(sent, `was reported ${outcome}, but never arrived`);
    }
  }

  #takeNamed(receiver: Incarnation, arrival: Arrival): void {
    const sent = this.#sent[idOf(arrival.bytes)];
    if (!sent)
      throw new BrokenPromise(`Message ${idOf(arrival.bytes)} arrived, but was never sent.`);
    if (!sameBytes(arrival.bytes, payloadOf(sent.id, sent.bytes)))
      this.#fail(sent, `arrived with ${arrival.bytes.length} bytes that are not its own`);
    const isMisled =
      sent.from.station !== arrival.from ||
      sent.to !== receiver.station ||
      sent.kind !== arrival.kind ||
      sent.way !== arrival.way ||
      sent.channel !== arrival.channel;
    if (isMisled)
      this.#fail(
        sent,
        `arrived at ${receiver.station} from ${arrival.from} as ${arrival.kind}, ${arrival.way} ${arrival.channel}`,
      );
    const before = sent.deliveries.get(receiver) ?? 0;
    this.#checkOnce(sent, receiver, before);
    sent.deliveries.set(receiver, before + 1);
    if (before === 0) this.#checkOrder(sent, receiver, arrival);
  }

  /** PROTOCOL.md, 4.5 and section 10: when a message may come once more. */
  #checkOnce(sent: Sent, receiver: Incarnation, before: number): void {
    if (before > 0) {
      // A receiver that closed its session has forgotten it, as if it had restarted.
      const isAtRisk = sent.resends || !sent.isHeldBack;
      const mayRepeat = isAtRisk && this.hasSessionEnded(sent.from.station, sent.to, sent.atUs);
      if (!mayRepeat)
        this.#fail(sent, `arrived twice at boot ${receiver.boot} of ${receiver.station}`);
    }
    const isElsewhere = [...sent.deliveries.keys()].some((other) => other !== receiver);
    if (isElsewhere && !sent.resends && sent.isHeldBack)
      this.#fail(
        sent,
        "was held back from the first datagram, and arrived before and after a restart",
      );
  }

  #checkOrder(sent: Sent, receiver: Incarnation, arrival: Arrival): void {
    if (sent.way !== "ordered" && sent.way !== "latest") return;
    if (sent.kind === "request") return;
    const { from } = sent;
    const key = `${from.station}.${from.boot} ${receiver.station}.${receiver.boot} ${sent.way} ${sent.channel} ${arrival.form}`;
    const newest = this.#newest.get(key) ?? -1;
    if (sent.id < newest && !this.#isOldSession(sent, this.#sent[newest] as Sent))
      this.#fail(sent, `arrived after message ${newest} of the same channel`);
    this.#newest.set(key, Math.max(newest, sent.id));
  }

  /**
   * PROTOCOL.md, section 10: order is a promise within one session. A receiver that closed one goes
   * on with a stale opening, or with what is sent again; but that is not sent again if its sender knows
   * that the newer message has arrived.
   */
  #isOldSession(sent: Sent, newer: Sent): boolean {
    const ends = this.#sessionEnds.get(pairKey(sent.from.station, sent.to)) ?? [];
    const lastUs = Math.max(...ends);
    if (lastUs < sent.atUs) return false;
    const wasKnown = newer.end?.outcome === "delivered" && newer.end.atUs <= lastUs;
    return !sent.isHeldBack || (sent.resends && !wasKnown);
  }

  #takeNameless(receiver: Incarnation, arrival: Arrival): void {
    const count = this.#countOf(arrival.from, receiver.station, arrival);
    count.arrived++;
    const hasEnded = this.hasSessionEnded(arrival.from, receiver.station, 0);
    if (count.arrived > count.sent && receiver.boot === 0 && !hasEnded) {
      throw new BrokenPromise(
        `${count.arrived} messages of ${arrival.bytes.length} bytes arrived at ${receiver.station} from ${arrival.from} (${arrival.way} ${arrival.channel}), but ${count.sent} were sent.`,
      );
    }
  }

  #countOf(
    from: number,
    to: number,
    what: Pick<Sent, "kind" | "way" | "channel"> & { bytes: number | Uint8Array },
  ): { sent: number; arrived: number } {
    const bytes = typeof what.bytes === "number" ? what.bytes : what.bytes.length;
    const key = `${from} ${to} ${what.kind} ${what.way} ${what.channel} ${bytes}`;
    const count = this.#nameless.get(key) ?? { sent: 0, arrived: 0 };
    this.#nameless.set(key, count);
    return count;
  }

  #fail(sent: Sent, what: string): never {
    const { id, kind, bytes, way, channel, from, to, atUs } = sent;
    throw new BrokenPromise(
      `At ${this.nowUs()} µs: ${kind} ${id} (${bytes} bytes, ${way} ${channel}, ${from.station}.${from.boot} to ${to}, sent at ${atUs} µs) ${what}.`,
    );
  }
}

function pairKey(one: number, other: number): string {
  return one < other ? `${one} ${other}` : `${other} ${one}`;
}
