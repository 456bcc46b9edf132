import { updateCrc32 } from "../wire/crc32.js";
import type { Budget } from "./budget.js";
import { HOLDING_BYTES } from "./config.js";
import { concatenate } from "./reorder-buffer.js";

/** A message of several fragments under way: kept until whole, or passed on as a stream. */
export class Reassembly {
  receivedBytes = 0;
  /** Bytes handed to a stream and not yet read, with their charge. */
  unreadBytes = 0;
  /** STOP reason with which everything more of it is refused; 0: none. */
  refusal = 0;
  #crc32 = 0;
  readonly #bytes: Uint8Array | undefined;
  readonly #pieces: Uint8Array[] = [];

  /**
   * @param totalBytes - length of the message, if told; its room is reserved then
   * @param stream - stream that takes the bytes, or -1 to keep them
   */
  constructor(
    readonly firstFragment: number,
    readonly totalBytes: number | undefined,
    readonly stream: number,
  ) {
    this.#bytes = totalBytes !== undefined && stream < 0 ? new Uint8Array(totalBytes) : undefined;
  }

  get isStream(): boolean {
    return this.stream >= 0;
  }

  get missingBytes(): number {
    return this.totalBytes === undefined ? 0 : this.totalBytes - this.receivedBytes;
  }

  add(bytes: Uint8Array): void {
    if (this.#bytes) this.#bytes.set(bytes, this.receivedBytes);
    else if (!this.isStream) this.#pieces.push(bytes.slice());
    this.#crc32 = updateCrc32(this.#crc32, bytes);
    this.receivedBytes += bytes.length;
  }

  /** Whether so many more bytes can belong to it. */
  hasPlaceFor(bytes: number): boolean {
    return this.totalBytes === undefined || bytes <= this.missingBytes;
  }

  /** Whether the message is sound with these last bytes. */
  fits(lastBytes: Uint8Array, crc32: number): boolean {
    const length = this.receivedBytes + lastBytes.length;
    if (this.totalBytes !== undefined && length !== this.totalBytes) return false;
    return updateCrc32(this.#crc32, lastBytes) === crc32;
  }

  get whole(): Uint8Array {
    return this.#bytes ?? concatenate(this.#pieces);
  }

  /** Give back what was reserved for it. Bytes already with a stream's reader are given back by it. */
  release(budget: Budget): void {
    if (!this.isStream) budget.give((this.totalBytes ?? this.receivedBytes) + HOLDING_BYTES);
  }
}
