/**
 * Bytes that may be held. What is taken here is taken from every parent too, so one take can count
 * against a channel's, a peer's and the endpoint's limit at once, and nothing that arrives can make
 * any of them be exceeded.
 */
export class Budget {
  #held = 0;
  #bytesMax: number;
  #parents: readonly Budget[];

  constructor(bytesMax: number, ...parents: Budget[]) {
    this.#bytesMax = bytesMax;
    this.#parents = parents;
  }

  get bytesMax(): number {
    return this.#bytesMax;
  }

  /** Count what is held here against other limits from now on. */
  moveTo(bytesMax: number, ...parents: Budget[]): void {
    for (const parent of this.#parents) parent.#add(-this.#held);
    this.#bytesMax = bytesMax;
    this.#parents = parents;
    for (const parent of parents) parent.#add(this.#held);
  }

  get heldBytes(): number {
    return this.#held;
  }

  /** What can still be taken here, bytes. */
  get freeBytes(): number {
    let free = this.#bytesMax - this.#held;
    for (const parent of this.#parents) free = Math.min(free, parent.freeBytes);
    return free;
  }

  /** @returns false, and nothing taken, if it does not fit. */
  take(bytes: number): boolean {
    if (this.freeBytes < bytes) return false;
    this.#add(bytes);
    return true;
  }

  /** Taken for a moment, whatever fits: as much will be given back at once. */
  takeAnyway(bytes: number): true {
    this.#add(bytes);
    return true;
  }

  give(bytes: number): void {
    this.#add(-bytes);
  }

  #add(bytes: number): void {
    this.#held += bytes;
    for (const parent of this.#parents) parent.#add(bytes);
  }
}
