import { CRC16_GOOD, CRC16_START, type Frame, readDatagram, updateCrc16 } from "@fardel/core/wire";

/** What a datagram shows of its session without any knowledge of it; PROTOCOL.md, section 2. */
export type RecordedHead = ShortHead | LongHead;

export interface ShortHead {
  readonly form: "short";
  readonly isProtected: boolean;
  readonly numberLow: number;
  /** Whoever gets it sends an ack: at once, or soon. */
  readonly wantsAck: "now" | "soon" | "no";
}

export interface LongHead {
  readonly form: "long";
  readonly isProtected: boolean;
  readonly tokenFrom: number;
  readonly tokenTo: number;
  readonly number: number;
  /** Of a protected one: its sender's salt as three numbers. */
  readonly salt: readonly number[];
  /** Of a plain one. */
  readonly frames: readonly Frame[];
}

const VERSION_AND_RESERVED = 0xc4;
const VERSION_1 = 0x40;
const FORM = 0x30;
const LONG = 0x10;
const PROTECTED = 0x08;
const ASK = 0x03;
const ASK_NOW = 1;
const PROTECTED_SHORT_BYTES_MIN = 11;
const PROTECTED_LONG_BYTES_MIN = 33;

/** @returns `undefined`: it belongs to no session, is damaged, or cannot be read */
export function readHead(bytes: Uint8Array): RecordedHead | undefined {
  const first = bytes[0] ?? 0;
  if ((first & VERSION_AND_RESERVED) !== VERSION_1 || (first & FORM) > LONG) return undefined;
  if (first & PROTECTED) return readProtected(bytes, (first & FORM) === LONG);
  const datagram = readDatagram(bytes);
  if (!datagram) return undefined;
  const { head, frames } = datagram;
  if (head.form === "short") return shortHead(bytes, frames);
  if (updateCrc16(CRC16_START, bytes, 0, bytes.length) !== CRC16_GOOD) return undefined;
  const { tokenFrom, tokenTo, number } = head;
  return { form: "long", isProtected: false, tokenFrom, tokenTo, number, salt: [], frames };
}

function shortHead(bytes: Uint8Array, frames: readonly Frame[]): ShortHead {
  const [first = 0, high = 0, low = 0] = bytes;
  const asksNow = (first & ASK) === ASK_NOW;
  const elicits = frames.some(({ type }) => type === "data" || type === "skip");
  return {
    form: "short",
    isProtected: (first & PROTECTED) !== 0,
    numberLow: (high << 8) | low,
    wantsAck: asksNow ? "now" : elicits ? "soon" : "no",
  };
}

/** Whether its tag is right is not known here. */
function readProtected(bytes: Uint8Array, isLong: boolean): RecordedHead | undefined {
  if (bytes.length < (isLong ? PROTECTED_LONG_BYTES_MIN : PROTECTED_SHORT_BYTES_MIN))
    return undefined;
  if (!isLong) return shortHead(bytes, []);
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  return {
    form: "long",
    isProtected: true,
    tokenFrom: view.getUint32(1),
    tokenTo: view.getUint32(5),
    number: view.getUint32(9),
    salt: [view.getUint32(13), view.getUint32(17), view.getUint32(21)],
    frames: [],
  };
}
