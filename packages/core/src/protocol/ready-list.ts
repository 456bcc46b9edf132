/** What waits to transmit; the list keeps the rank under which it waits. */
export interface Ready {
  readyRank: number;
}

const RANKS = 4;

/** Peers with something to send, by rank, those of one rank taking turns. */
export class ReadyList<T extends Ready> {
  readonly #queues: T[][] = Array.from({ length: RANKS }, () => []);
  readonly #heads: number[] = new Array(RANKS).fill(0);

  /** Wait under this rank (-1: not at all). A peer already waiting higher is served early once; harmless. */
  offer(item: T, rank: number): void {
    if (rank < 0 || rank <= item.readyRank) return;
    item.readyRank = rank;
    this.#queues[rank]?.push(item);
  }

  /** Whose turn it is, taken off the list. */
  take(): T | undefined {
    for (let rank = RANKS - 1; rank >= 0; rank--) {
      const queue = this.#queues[rank] as T[];
      while ((this.#heads[rank] as number) < queue.length) {
        const item = queue[this.#heads[rank] as number] as T;
        this.#heads[rank] = (this.#heads[rank] as number) + 1;
        this.#compact(rank, queue);
        // A stale entry: it has moved to another rank, or was served since.
        if (item.readyRank !== rank) continue;
        item.readyRank = -1;
        return item;
      }
    }
    return undefined;
  }

  #compact(rank: number, queue: T[]): void {
    const head = this.#heads[rank] as number;
    if (head < queue.length && head < 64) return;
    queue.splice(0, head);
    this.#heads[rank] = 0;
  }
}
