type Cells = Float64Array | Float32Array | Uint32Array | Uint16Array | Uint8Array;

const FIRST_CELLS = 256;

/** A column of numbers that grows: doubles its room when full. */
export class Column<T extends Cells> {
  readonly #make: (length: number) => T;
  #cells: T;
  length = 0;

  /** @param make - so many cells, all zero */
  constructor(make: (length: number) => T) {
    this.#make = make;
    this.#cells = make(FIRST_CELLS);
  }

  push(value: number): void {
    if (this.length === this.#cells.length) this.#grow(this.length + 1);
    this.#cells[this.length++] = value;
  }

  /** The value at an index that is there. */
  at(index: number): number {
    return this.#cells[index]!;
  }

  set(index: number, value: number): void {
    this.#cells[index] = value;
  }

  /** Appends all of them. */
  append(values: ArrayLike<number>): void {
    const length = this.length + values.length;
    if (length > this.#cells.length) this.#grow(length);
    this.#cells.set(values, this.length);
    this.length = length;
  }

  /** Drops everything from an index on. */
  cut(length: number): void {
    this.length = Math.min(this.length, length);
  }

  /** A copy without the spare room. */
  taken(): T {
    const cells = this.#make(this.length);
    cells.set(this.#cells.subarray(0, this.length));
    return cells;
  }

  /** A view without the spare room; valid until the next change. */
  view(): T {
    // A part of an array has the type of the whole.
    return this.#cells.subarray(0, this.length) as T;
  }

  #grow(length: number): void {
    const cells = this.#make(Math.max(length, 2 * this.#cells.length));
    cells.set(this.#cells.subarray(0, this.length));
    this.#cells = cells;
  }
}

export const float64s = (length: number): Float64Array => new Float64Array(length);
export const float32s = (length: number): Float32Array => new Float32Array(length);
export const uint32s = (length: number): Uint32Array => new Uint32Array(length);
export const uint16s = (length: number): Uint16Array => new Uint16Array(length);
export const uint8s = (length: number): Uint8Array => new Uint8Array(length);
