/** What a heap of timers orders; the heap keeps its place in `heapIndex`. */
export interface Timed {
  timerUs: number;
  heapIndex: number;
}

/**
 * Deadlines of many peers, earliest first: a binary heap whose members can be moved, so that a peer
 * without a deadline costs nothing and one with a deadline costs O(log n) when it changes.
 */
export class TimerHeap<T extends Timed> {
  readonly #items: T[] = [];

  get earliestUs(): number {
    return this.#items[0]?.timerUs ?? Number.POSITIVE_INFINITY;
  }

  get size(): number {
    return this.#items.length;
  }

  /** The member whose deadline comes first, if it has passed. */
  due(nowUs: number): T | undefined {
    const first = this.#items[0];
    return first && first.timerUs <= nowUs ? first : undefined;
  }

  /** Set, move or (with `Infinity`) remove a deadline. */
  set(item: T, atUs: number): void {
    if (item.heapIndex >= 0 && item.timerUs === atUs) return;
    item.timerUs = atUs;
    if (atUs === Number.POSITIVE_INFINITY) {
      if (item.heapIndex >= 0) this.#remove(item);
    } else if (item.heapIndex < 0) {
      item.heapIndex = this.#items.length;
      this.#items.push(item);
      this.#rise(item.heapIndex);
    } else {
      this.#rise(item.heapIndex);
      this.#sink(item.heapIndex);
    }
  }

  #remove(item: T): void {
    const at = item.heapIndex;
    const last = this.#items.pop() as T;
    item.heapIndex = -1;
    if (last === item) return;
    this.#items[at] = last;
    last.heapIndex = at;
    this.#rise(at);
    this.#sink(last.heapIndex);
  }

  #rise(start: number): void {
    let at = start;
    while (at > 0) {
      const parent = (at - 1) >>> 1;
      if (!this.#isBefore(at, parent)) return;
      this.#swap(at, parent);
      at = parent;
    }
  }

  #sink(start: number): void {
    let at = start;
    for (;;) {
      let first = at;
      for (let child = 2 * at + 1; child <= 2 * at + 2 && child < this.#items.length; child++) {
        if (this.#isBefore(child, first)) first = child;
      }
      if (first === at) return;
      this.#swap(at, first);
      at = first;
    }
  }

  #isBefore(a: number, b: number): boolean {
    return (this.#items[a] as T).timerUs < (this.#items[b] as T).timerUs;
  }

  #swap(a: number, b: number): void {
    const first = this.#items[a] as T;
    const second = this.#items[b] as T;
    this.#items[a] = second;
    this.#items[b] = first;
    second.heapIndex = a;
    first.heapIndex = b;
  }
}
