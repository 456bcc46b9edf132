import type { Address } from "@fardel/core";
import type { CapturedDatagram } from "../captured.js";
import { hexOf } from "../text.js";
import { type LongHead, type RecordedHead, readHead } from "./recorded-head.js";
import { SessionFinder, type SessionTokens } from "./session-finder.js";

/** Whatever wants an ack has one by then; PROTOCOL.md, section 6: 25 ms, and time for the link. */
const ACK_WAIT_US = 100_000;

/** One datagram of the side that recorded, with what later ones tell about it. */
export interface TimelineEntry {
  /** Of arrival, or of handing it over: what this side did, in the order in which it did it. */
  readonly atUs: number;
  readonly datagram: CapturedDatagram;
  /** The other side; its text is a key. */
  readonly peer: Address;
  readonly peerKey: string;
  readonly head: RecordedHead | undefined;
  /** Of a plain short datagram: its session, if that is known. */
  tokens: SessionTokens | undefined;
  /** Of what was received: the next datagram sent that names its sender's token. */
  answer: LongHead | undefined;
  /** Our token as its sender goes on to name it. */
  echoedToken: number;
  /** It was answered NO-SESSION later. */
  isRefused: boolean;
  /** It would have been acknowledged, had its session not been over. */
  isTooLate: boolean;
  /** Of NO-SESSION: nothing more is sent in the session that it names, but in another one. */
  endsSession: boolean;
}

/** Datagrams in the order in which the side that recorded saw to them; others are left out. */
export function timelineOf(datagrams: readonly CapturedDatagram[]): TimelineEntry[] {
  const entries = datagrams.flatMap((datagram): TimelineEntry[] => {
    const { direction, from, to, atUs, tookUs = 0, bytes } = datagram;
    const peer = direction === "sent" ? to : direction === "received" ? from : undefined;
    if (!peer) return [];
    return [
      {
        atUs: direction === "sent" ? atUs - tookUs : atUs,
        datagram,
        peer,
        peerKey: hexOf(peer),
        head: readHead(bytes),
        tokens: undefined,
        answer: undefined,
        echoedToken: 0,
        isRefused: false,
        isTooLate: false,
        endsSession: false,
      },
    ];
  });
  // Of one instant what was received comes first: what was sent is the answer to it.
  const rank = ({ datagram }: TimelineEntry) => (datagram.direction === "sent" ? 1 : 0);
  entries.sort((one, other) => one.atUs - other.atUs || rank(one) - rank(other));
  findSessions(entries);
  const hindsight = new Map<string, Hindsight>();
  for (const entry of [...entries].reverse()) {
    const of = hindsight.get(entry.peerKey) ?? new Hindsight();
    hindsight.set(entry.peerKey, of);
    if (entry.datagram.direction === "sent") of.takeSent(entry);
    else of.takeReceived(entry);
  }
  return entries;
}

function findSessions(entries: readonly TimelineEntry[]): void {
  const finders = new Map<string, SessionFinder>();
  for (const entry of entries) {
    const { head, peerKey, datagram } = entry;
    const finder = finders.get(peerKey) ?? new SessionFinder();
    finders.set(peerKey, finder);
    const isSent = datagram.direction === "sent";
    if (head?.form === "long") finder.takeLong(head, isSent);
    else if (head) entry.tokens = finder.takeShort(datagram.bytes, head, isSent);
  }
}

/** What is known of one peer when the recording is read from its end. */
class Hindsight {
  /** By the peer's token: how it was answered. */
  readonly #answers = new Map<number, LongHead>();
  /** By the peer's token: which one of ours it names. */
  readonly #echoes = new Map<number, number>();
  /** What NO-SESSION was sent for. */
  readonly #refusals = new Set<string>();
  /** By our token: when a datagram of its session was refused with nothing sent in it since. */
  readonly #refusedUs = new Map<number, number>();
  /** Our tokens under which something is sent later. */
  readonly #active = new Set<number>();

  takeSent({ head, tokens }: TimelineEntry): void {
    if (head?.form === "long" && head.tokenFrom === 0) {
      this.#refusals.add(`${head.tokenTo} ${head.number}`);
      return;
    }
    const own = head?.form === "long" ? head.tokenFrom : tokens?.own;
    if (own === undefined) return;
    this.#active.add(own);
    this.#refusedUs.delete(own);
    if (head?.form === "long" && head.tokenTo !== 0) this.#answers.set(head.tokenTo, head);
  }

  takeReceived(entry: TimelineEntry): void {
    const { head, tokens, atUs } = entry;
    if (head?.form === "long") this.#takeLong(head, entry);
    else if (head && tokens && head.wantsAck !== "no") {
      const waitUs = head.wantsAck === "now" ? 0 : ACK_WAIT_US;
      entry.isTooLate = (this.#refusedUs.get(tokens.own) ?? 0) > atUs + waitUs;
    }
  }

  #takeLong({ tokenFrom, tokenTo, number, frames }: LongHead, entry: TimelineEntry): void {
    if (tokenFrom === 0) {
      entry.endsSession = this.#active.size > 0 && !this.#active.has(tokenTo);
      return;
    }
    entry.answer = this.#answers.get(tokenFrom);
    entry.echoedToken = this.#echoes.get(tokenFrom) ?? 0;
    // Of copies of one number it answers the one before it: earlier ones may have been taken.
    entry.isRefused = this.#refusals.delete(`${tokenFrom} ${number}`);
    if (tokenTo === 0) return;
    this.#echoes.set(tokenFrom, tokenTo);
    if (entry.isRefused) this.#refusedUs.set(tokenTo, entry.atUs);
    else if (frames.some(({ type }) => type === "close")) this.#refusedUs.delete(tokenTo);
  }
}
