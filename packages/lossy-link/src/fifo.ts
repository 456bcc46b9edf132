/** First in, first out, in constant time however long the line is. */
export class Fifo<T> {
  #items: (T | undefined)[] = [];
  #head = 0;

  get empty(): boolean {
    return this.#head === this.#items.length;
  }

  push(item: T): void {
    this.#items.push(item);
  }

  shift(): T | undefined {
    if (this.empty) return undefined;
    const item = this.#items[this.#head];
    this.#items[this.#head++] = undefined;
    if (this.#head === this.#items.length) {
      this.#items.length = 0;
      this.#head = 0;
    } else if (this.#head >= 1024 && this.#head * 2 > this.#items.length) {
      this.#items = this.#items.slice(this.#head);
      this.#head = 0;
    }
    return item;
  }
}
