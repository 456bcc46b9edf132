import { OPTION_END, padded } from "./pcapng.js";

/** The options at the end of a block, by their code; of several with one code, the first. */
export class Options {
  readonly #values = new Map<number, DataView>();
  /** Whether they run beyond the block; those before that are kept. */
  readonly isCut: boolean;

  /** @param from - where they begin in the body of a block */
  constructor(
    body: DataView,
    from: number,
    readonly isLittle: boolean,
  ) {
    let at = from;
    let isCut = false;
    while (at + 4 <= body.byteLength) {
      const code = body.getUint16(at, isLittle);
      const length = body.getUint16(at + 2, isLittle);
      if (code === OPTION_END) break;
      at += 4;
      isCut = at + length > body.byteLength;
      if (isCut) break;
      if (!this.#values.has(code))
        this.#values.set(code, new DataView(body.buffer, body.byteOffset + at, length));
      at += padded(length);
    }
    this.isCut = isCut;
  }

  bytes(code: number): Uint8Array | undefined {
    const view = this.#values.get(code);
    return view && new Uint8Array(view.buffer, view.byteOffset, view.byteLength);
  }

  u8(code: number): number | undefined {
    const view = this.#values.get(code);
    return view && view.byteLength >= 1 ? view.getUint8(0) : undefined;
  }

  /** Signed; `undefined` if it is not there, or no number of ours can hold it. */
  i64(code: number): number | undefined {
    const view = this.#values.get(code);
    if (!view || view.byteLength < 8) return undefined;
    const value = Number(view.getBigInt64(0, this.isLittle));
    return Number.isSafeInteger(value) ? value : undefined;
  }
}
