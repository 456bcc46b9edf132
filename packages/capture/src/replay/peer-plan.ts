import type { Address } from "@fardel/core";
import type { ReplayGap, ReplayGapReason, ReplayStep } from "./plan.js";
import type { LongHead } from "./recorded-head.js";
import { standInClose, standInOpening } from "./stand-in.js";
import type { TimelineEntry } from "./timeline.js";

/** A session of the recorded side with one peer, as its datagrams show it. */
interface RecordedSession {
  readonly own: number;
  /** Tokens that were taken for the peer's: the last one that was, or another one from before. */
  readonly peers: Set<number>;
  /** Number of our first datagram to the peer's token; `Infinity`: none yet. */
  answeredFrom: number;
  /** Number of our last opening; -1: we opened nothing. */
  openedUpTo: number;
}

/**
 * Lines up what a replaying endpoint gets from one peer. The endpoint does by itself what it is made
 * to do by what it receives. What the recorded side did of its own accord it is made to do by
 * stand-ins: it opened a session, it ended one. Where these come too often they do no harm: CLOSE
 * for a session that is not there is passed over.
 */
export class PeerPlan {
  readonly #gaps = new Map<ReplayGapReason, number>();
  /** Tokens of ours that the endpoint has drawn, or is about to. */
  readonly #issued = new Set<number>();
  /** Those under which the recorded side opened a session of its own accord. */
  readonly #opened = new Map<number, LongHead>();
  #session: RecordedSession | undefined;
  /** Those that may take the session's place, by our token; PROTOCOL.md, section 4.4. */
  readonly #candidates = new Map<number, number>();

  /**
   * @param tokens - all that appear in the recording: stand-ins use others
   * @param steps - where to put the steps
   */
  constructor(
    readonly address: Address,
    readonly hasKeys: boolean,
    readonly tokens: ReadonlySet<number>,
    readonly steps: ReplayStep[],
  ) {}

  get gaps(): ReplayGap[] {
    const peer = this.address;
    return [...this.#gaps].map(([why, datagrams]) => ({ why, peer, datagrams }));
  }

  takeSent({ head, atUs }: TimelineEntry): void {
    if (head?.form !== "long" || head.tokenFrom === 0) return;
    const { tokenFrom, tokenTo, number } = head;
    if (tokenTo === 0) this.#takeOwnOpening(head, atUs);
    else if (this.#session?.own === tokenFrom) {
      this.#session.answeredFrom = Math.min(this.#session.answeredFrom, number);
    }
    if (head.frames.some(({ type }) => type === "close")) {
      this.#dropCandidates(atUs);
      this.#close(tokenFrom, tokenTo, atUs);
      if (this.#session?.own === tokenFrom) this.#session = undefined;
    }
  }

  /** Whoever opens has no session; PROTOCOL.md, sections 4.3 and 4.4. */
  #takeOwnOpening(head: LongHead, atUs: number): void {
    const { tokenFrom, number } = head;
    const session = this.#session;
    this.#opened.set(tokenFrom, head);
    if (session?.own === tokenFrom) {
      // The token that it took for the peer's was not: it begins again under its own.
      if (number < session.answeredFrom) {
        session.openedUpTo = Math.max(session.openedUpTo, number);
        return;
      }
      this.#issued.delete(tokenFrom);
    }
    this.#endSession(atUs);
    this.#session = newSession(tokenFrom, number);
  }

  takeReceived(entry: TimelineEntry): void {
    const { head, atUs } = entry;
    let draws: readonly number[] = [];
    if (head?.isProtected && !this.hasKeys) this.#count("protected");
    else if (head?.form === "short") {
      const { tokens } = entry;
      if (tokens) this.#promote(tokens.own, tokens.peer);
      if (tokens && entry.isTooLate && this.#session?.own === tokens.own) this.#endSession(atUs);
      // Later such ones are stragglers of sessions that are over.
      if (this.#issued.size === 0) this.#count("began-before");
    } else if (head?.form === "long") {
      if (head.tokenFrom === 0) {
        this.#takeNoSession(head, entry);
        return;
      }
      if (entry.isRefused && this.#isOfSession(head)) this.#endSession(atUs);
      if (head.tokenTo === 0) draws = this.#takeOpening(head, entry);
      else this.#takeLong(head, entry);
    }
    const { rssiDbm, radioChannel, bytes } = entry.datagram;
    const info = {
      ...(rssiDbm !== undefined && { rssiDbm }),
      ...(radioChannel !== undefined && { radioChannel }),
    };
    this.steps.push({ atUs, from: this.address, bytes, info, draws, isStandIn: false });
  }

  /**
   * Whether it ended the session hangs on numbers of ours that the endpoint does not use: it is told
   * by what came next instead.
   */
  #takeNoSession({ tokenTo, number }: LongHead, { endsSession, atUs }: TimelineEntry): void {
    if (!endsSession || this.#session?.own !== tokenTo) return;
    // Once an opening has been answered, those who refused it are passed over.
    const isStale = number <= this.#session.openedUpTo && this.#issued.has(tokenTo);
    if (!isStale) this.#endSession(atUs);
  }

  #isOfSession({ tokenFrom, tokenTo }: LongHead): boolean {
    if (!this.#session) return false;
    const { own, peers } = this.#session;
    return tokenTo === own || (tokenTo === 0 && [...peers].at(-1) === tokenFrom);
  }

  /** @returns what the endpoint is to draw */
  #takeOpening(head: LongHead, entry: TimelineEntry): readonly number[] {
    const { answer, echoedToken, isRefused, atUs } = entry;
    const own = answer?.tokenFrom ?? echoedToken;
    if (own === 0 || isRefused) return [];
    // A candidate takes no message; PROTOCOL.md, section 4.4.
    const isCandidate =
      this.#session !== undefined &&
      this.#session.own !== own &&
      !acknowledgesMessages(answer, head.tokenFrom);
    if (isCandidate) this.#candidates.set(own, head.tokenFrom);
    else {
      if (this.#session?.own !== own) this.#endSession(atUs);
      this.#session ??= newSession(own);
      this.#session.peers.add(head.tokenFrom);
    }
    this.#issued.add(own);
    return [own, ...(answer?.salt ?? [])];
  }

  #takeLong(head: LongHead, { atUs, isRefused }: TimelineEntry): void {
    const { tokenFrom, tokenTo } = head;
    if (isRefused) return;
    if (!this.#issued.has(tokenTo)) {
      const opening = this.#opened.get(tokenTo);
      if (!opening) {
        if (this.#issued.size === 0) this.#count("began-before");
        return;
      }
      if (opening.isProtected) {
        this.#count("protected-opened-here");
        return;
      }
      if (this.#session?.own !== tokenTo) this.#endSession(atUs);
      this.#standIn(standInOpening(this.#unusedToken(tokenFrom)), atUs, [tokenTo]);
      this.#issued.add(tokenTo);
      this.#session ??= newSession(tokenTo);
    }
    this.#promote(tokenTo, tokenFrom);
    if (this.#session?.own === tokenTo) this.#session.peers.add(tokenFrom);
  }

  /** A candidate has proved itself. */
  #promote(own: number, peer: number): void {
    if (this.#candidates.get(own) !== peer) return;
    this.#candidates.delete(own);
    this.#session = newSession(own);
    this.#session.peers.add(peer);
  }

  #unusedToken(start: number): number {
    let token = start;
    while (token === 0 || this.tokens.has(token)) token = (token + 0x9e37_79b9) >>> 0;
    return token;
  }

  #endSession(atUs: number): void {
    for (const peer of this.#session?.peers ?? []) this.#close(this.#session?.own ?? 0, peer, atUs);
    this.#session = undefined;
  }

  /** Whoever closes of its own accord forgets its candidate too: one that nobody has takes its place. */
  #dropCandidates(atUs: number): void {
    if (this.#candidates.size === 0 || this.hasKeys) return;
    this.#candidates.clear();
    this.#standIn(standInOpening(this.#unusedToken(1)), atUs, []);
  }

  #close(own: number, peer: number, atUs: number): void {
    // Nobody but the peer can say it of a protected session.
    if (!this.hasKeys) this.#standIn(standInClose(peer, own), atUs, []);
  }

  #standIn(bytes: Uint8Array, atUs: number, draws: readonly number[]): void {
    this.steps.push({ atUs, from: this.address, bytes, info: {}, draws, isStandIn: true });
  }

  #count(why: ReplayGapReason): void {
    this.#gaps.set(why, (this.#gaps.get(why) ?? 0) + 1);
  }
}

function newSession(own: number, openedUpTo = -1): RecordedSession {
  return { own, peers: new Set(), answeredFrom: Number.POSITIVE_INFINITY, openedUpTo };
}

/** Whether an answer says that something of the opening was taken. */
function acknowledgesMessages(answer: LongHead | undefined, peerToken: number): boolean {
  const start = peerToken & 0xffff;
  return (answer?.frames ?? []).some(
    (frame) => frame.type === "ack" && (frame.next !== start || frame.map.length > 0),
  );
}
