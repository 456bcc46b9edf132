/**
 * First bytes of the frames (PROTOCOL.md, section 3). Where the low four bits carry something, they
 * are 0 here.
 */
export const TYPE_PAD = 0x00;
export const TYPE_ACK = 0x10;
export const TYPE_SKIP = 0x20;
export const TYPE_HELLO = 0x30;
export const TYPE_STOP = 0x40;
export const TYPE_CLOSE = 0x50;
export const TYPE_NO_SESSION = 0x51;
export const TYPE_LOOSE = 0x60;
export const TYPE_EXTENSION = 0x70;
export const TYPE_DATA = 0x80;

/**
 * A type with a channel, version or kind in its low four bits.
 *
 * @param type - one of the types above
 * @param low - 0..15
 * @throws RangeError when `low` does not fit: it would turn into another type.
 */
export function typeByte(type: number, low: number): number {
  if (low !== (low & 0x0f)) throw new RangeError(`${low} does not fit in four bits.`);
  return type | low;
}
