/** One entry of an {@link EventQueue}, and the handle by which to take it out again. */
export class QueuedEvent<T> {
  /** Key by which entries leave the queue, smallest first: an instant, or a slot number. */
  readonly at: number;
  /** Place in the order of insertion: breaks ties. */
  readonly order: number;
  readonly item: T;
  /** Index in the heap, or -1 once it has left. Belongs to the queue. */
  place = -1;

  constructor(at: number, order: number, item: T) {
    this.at = at;
    this.order = order;
    this.item = item;
  }
}

/**
 * Entries in the order of their keys; entries of the same key in the order of their insertion, so
 * that a run has exactly one order. A binary heap (J. W. J. Williams, "Algorithm 232: Heapsort",
 * CACM 7(6), 1964): insertion, removal of the first and of any other take O(log n).
 *
 * An entry costs one object. It is not used again after it left: its owner may hold it as a handle
 * and try to remove it long after, which must not hit a stranger.
 */
export class EventQueue<T> {
  readonly #heap: QueuedEvent<T>[] = [];
  #inserted = 0;

  /** Number of entries. */
  get size(): number {
    return this.#heap.length;
  }

  /** @param at - any number but NaN */
  insert(at: number, item: T): QueuedEvent<T> {
    const event = new QueuedEvent(at, this.#inserted++, item);
    this.#heap.push(event);
    this.#rise(event, this.#heap.length - 1);
    return event;
  }

  /** The first entry, left where it is. */
  first(): QueuedEvent<T> | undefined {
    return this.#heap[0];
  }

  /** Takes the first entry out. */
  takeFirst(): QueuedEvent<T> | undefined {
    const first = this.#heap[0];
    if (first !== undefined) this.remove(first);
    return first;
  }

  /** Takes an entry out; `false` if it is not in this queue (any more). */
  remove(event: QueuedEvent<T>): boolean {
    const heap = this.#heap;
    const place = event.place;
    if (place < 0 || heap[place] !== event) return false;
    event.place = -1;
    const last = heap.pop()!;
    if (last === event) return true;
    // The last entry fills the gap; from there it may have to go either way.
    if (place > 0 && precedes(last, heap[(place - 1) >> 1]!)) this.#rise(last, place);
    else this.#sink(last, place);
    return true;
  }

  #rise(event: QueuedEvent<T>, from: number): void {
    const heap = this.#heap;
    let place = from;
    while (place > 0) {
      const above = (place - 1) >> 1;
      const parent = heap[above]!;
      if (!precedes(event, parent)) break;
      heap[place] = parent;
      parent.place = place;
      place = above;
    }
    heap[place] = event;
    event.place = place;
  }

  #sink(event: QueuedEvent<T>, from: number): void {
    const heap = this.#heap;
    const size = heap.length;
    let place = from;
    for (let below = 2 * place + 1; below < size; below = 2 * place + 1) {
      if (below + 1 < size && precedes(heap[below + 1]!, heap[below]!)) below++;
      const child = heap[below]!;
      if (!precedes(child, event)) break;
      heap[place] = child;
      child.place = place;
      place = below;
    }
    heap[place] = event;
    event.place = place;
  }
}

function precedes<T>(one: QueuedEvent<T>, other: QueuedEvent<T>): boolean {
  return one.at < other.at || (one.at === other.at && one.order < other.order);
}
