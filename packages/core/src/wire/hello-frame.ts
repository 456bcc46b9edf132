import type { ByteReader } from "./byte-reader.js";
import type { ByteWriter } from "./byte-writer.js";
import type { DecodeFault } from "./decoded.js";
import { TYPE_HELLO, typeByte } from "./frame-type.js";

/** Bytes of a HELLO frame. */
export const HELLO_FRAME_BYTES = 4;

/** Smallest datagram size that a peer may state, bytes. PROTOCOL.md, section 3.5. */
export const MTU_BYTES_MIN = 20;

/** What its sender can take. PROTOCOL.md, section 3.5. */
export interface HelloFrame {
  readonly type: "hello";
  /** Highest version that the sender speaks, 1..15. */
  readonly version: number;
  /** Largest datagram that it receives, bytes, 20..65535. */
  readonly mtuBytes: number;
  /** Fragments that it takes on every channel until an ACK says otherwise, 1..255. */
  readonly window: number;
}

/** Writes a HELLO frame. */
export function encodeHello(
  out: ByteWriter,
  version: number,
  mtuBytes: number,
  window: number,
): void {
  if (isImpossible(version, mtuBytes, window)) {
    throw new RangeError(
      `HELLO cannot say version ${version}, MTU ${mtuBytes} bytes, window ${window}.`,
    );
  }
  out.u8(typeByte(TYPE_HELLO, version));
  out.u16(mtuBytes);
  out.u8(window);
}

/** Reads a HELLO frame, from its type byte on. */
export function decodeHello(input: ByteReader): HelloFrame | DecodeFault {
  if (input.left < HELLO_FRAME_BYTES) return "truncated";
  const version = input.u8() & 0x0f;
  const mtuBytes = input.u16();
  const window = input.u8();
  if (isImpossible(version, mtuBytes, window)) return "bad-value";
  return { type: "hello", version, mtuBytes, window };
}

/** A datagram of version 1 comes from a sender that speaks at least that. */
function isImpossible(version: number, mtuBytes: number, window: number): boolean {
  return version < 1 || mtuBytes < MTU_BYTES_MIN || window < 1;
}
