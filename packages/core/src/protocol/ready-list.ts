/** What waits to transmit; the list keeps in `readyMask` under which ranks it waits. */
export interface Ready {
  readyMask: number;
}

const RANKS = 4;
/** Of acks, answers and probes: the highest. */
export const ANSWERS_RANK = RANKS - 1;
/** Forgotten items that may lie about, besides as many as half of all. */
const STALE_MAX = 64;
/** Acks and probes in a row, after which a message goes first: with little airtime they could take it all. */
const ACKS_IN_A_ROW = 3;
/** Normal and bulk: the highest rank whose peers keep their turn for more than one datagram. */
const KEEPING_RANK_MAX = 1;
/**
 * Datagrams of one turn. With one each, a peer among many would hear so rarely that it acknowledges every
 * fragment by itself (PROTOCOL.md, section 6, rule 3); with 16 acks take some 2 % of the air.
 */
export const TURN_DATAGRAMS = 16;

/** Peers with something to send, by rank, those of one rank taking turns; PROTOCOL.md, section 9. */
export class ReadyList<T extends Ready> {
  readonly #queues: T[][] = Array.from({ length: RANKS }, () => []);
  readonly #heads: number[] = new Array(RANKS).fill(0);
  #acksInARow = 0;
  #stale = 0;
  /** Who was taken last, under which rank, and for how many more datagrams it keeps its turn. */
  #holder: T | undefined;
  #holderRank = -1;
  #turnLeft = 0;

  /** Wait under this rank; -1: not at all. Waiting there already changes nothing. */
  offer(item: T, rank: number): void {
    if (rank < 0 || item.readyMask & (1 << rank)) return;
    item.readyMask |= 1 << rank;
    if (this.#keepsTurn(item, rank)) this.#putInFront(item, rank);
    else this.#queues[rank]?.push(item);
  }

  #keepsTurn(item: T, rank: number): boolean {
    return this.#turnLeft > 0 && item === this.#holder && rank === this.#holderRank;
  }

  #putInFront(item: T, rank: number): void {
    const queue = this.#queues[rank] as T[];
    const head = this.#heads[rank] as number;
    if (head === 0) queue.unshift(item);
    else {
      this.#heads[rank] = head - 1;
      queue[head - 1] = item;
    }
  }

  #noteTurn(item: T, rank: number): void {
    if (rank > KEEPING_RANK_MAX) return;
    this.#turnLeft = (this.#keepsTurn(item, rank) ? this.#turnLeft : TURN_DATAGRAMS) - 1;
    this.#holder = item;
    this.#holderRank = rank;
  }

  /** It will not be taken any more. */
  forget(item: T): void {
    for (let mask = item.readyMask; mask > 0; mask &= mask - 1) this.#stale++;
    item.readyMask = 0;
    if (item === this.#holder) this.#holder = undefined;
    const total = this.#queues.reduce((sum, { length }) => sum + length, 0);
    if (this.#stale < STALE_MAX || this.#stale * 2 < total) return;
    this.#stale = 0;
    this.#queues.forEach((queue, rank) => {
      queue.splice(0, queue.length, ...this.#waiting(queue, rank));
      this.#heads[rank] = 0;
    });
  }

  #waiting(queue: readonly T[], rank: number): T[] {
    const head = this.#heads[rank] as number;
    return queue.filter((item, at) => at >= head && item.readyMask & (1 << rank));
  }

  /** Whose turn it is, taken off the list, and under which rank it waited. */
  take(): { item: T; rank: number } | undefined {
    const top = RANKS - 1;
    const first = this.#acksInARow >= ACKS_IN_A_ROW ? top - 1 : top;
    return this.#takeFrom(first, 0) ?? this.#takeFrom(top, first + 1);
  }

  #takeFrom(highest: number, lowest: number): { item: T; rank: number } | undefined {
    for (let rank = highest; rank >= lowest; rank--) {
      const queue = this.#queues[rank] as T[];
      let head = this.#heads[rank] as number;
      while (head < queue.length && !((queue[head] as T).readyMask & (1 << rank))) {
        head++;
        this.#stale--;
      }
      this.#heads[rank] = head;
      if (head >= queue.length) continue;
      this.#acksInARow = rank === RANKS - 1 ? this.#acksInARow + 1 : 0;
      const item = queue[head] as T;
      item.readyMask &= ~(1 << rank);
      this.#heads[rank] = head + 1;
      this.#compact(rank, queue);
      this.#noteTurn(item, rank);
      return { item, rank };
    }
    return undefined;
  }

  #compact(rank: number, queue: T[]): void {
    const head = this.#heads[rank] as number;
    if (head < queue.length && head < 64) return;
    // Nearly always it is empty then: no array for what is taken out.
    if (head === queue.length) queue.length = 0;
    else queue.splice(0, head);
    this.#heads[rank] = 0;
  }
}
