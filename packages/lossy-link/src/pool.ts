/** Objects that are used over and over, so that a datagram costs no new ones. */
export class Pool<T> {
  readonly #make: () => T;
  readonly #idle: T[] = [];

  constructor(make: () => T) {
    this.#make = make;
  }

  take(): T {
    return this.#idle.pop() ?? this.#make();
  }

  give(item: T): void {
    this.#idle.push(item);
  }
}
