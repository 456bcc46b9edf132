import { CRC16_GOOD, CRC16_START, updateCrc16 } from "@fardel/core/wire";
import type { LongHead, ShortHead } from "./recorded-head.js";

/** The tokens of both sides, from the side that recorded. */
export interface SessionTokens {
  readonly own: number;
  readonly peer: number;
}

/** One direction of a session: who numbers, and what was seen. */
interface Lane {
  readonly tokens: SessionTokens;
  readonly tokenFrom: number;
  readonly tokenTo: number;
  highest: number;
}

/** Sessions with one peer that short datagrams are compared with. */
const LANES_MAX = 16;

/**
 * Finds out to which session with one peer a short datagram belongs, by its CRC, into which the
 * tokens and the whole number enter: PROTOCOL.md, sections 2.3 and 2.4.
 */
export class SessionFinder {
  /** The newest first. */
  readonly #lanes: Lane[] = [];

  takeLong({ tokenFrom, tokenTo, number }: LongHead, isSent: boolean): void {
    if (tokenFrom === 0 || tokenTo === 0) return;
    const lane = this.#lane(tokenFrom, tokenTo, isSent);
    lane.highest = Math.max(lane.highest, number);
    this.#lane(tokenTo, tokenFrom, !isSent);
  }

  /** @returns `undefined`: of none that is known, or damaged */
  takeShort(bytes: Uint8Array, head: ShortHead, isSent: boolean): SessionTokens | undefined {
    if (head.isProtected) return undefined;
    for (const lane of this.#lanes) {
      if ((lane.tokenFrom === lane.tokens.own) !== isSent) continue;
      const number = nearest(head.numberLow, lane.highest);
      if (!crcFits(bytes, lane, number)) continue;
      lane.highest = Math.max(lane.highest, number);
      return lane.tokens;
    }
    return undefined;
  }

  #lane(tokenFrom: number, tokenTo: number, isSent: boolean): Lane {
    const known = this.#lanes.find(
      (lane) => lane.tokenFrom === tokenFrom && lane.tokenTo === tokenTo,
    );
    if (known) return known;
    const tokens = isSent ? { own: tokenFrom, peer: tokenTo } : { own: tokenTo, peer: tokenFrom };
    const lane = { tokens, tokenFrom, tokenTo, highest: tokenFrom >>> 16 };
    this.#lanes.unshift(lane);
    this.#lanes.splice(LANES_MAX);
    return lane;
  }
}

/** The whole number of this low half that lies nearest to the highest one. */
function nearest(low: number, highest: number): number {
  const number = highest - (highest % 0x1_0000) + low;
  if (number > highest + 0x8000 && number >= 0x1_0000) return number - 0x1_0000;
  return number < highest - 0x8000 ? number + 0x1_0000 : number;
}

const unsent = new DataView(new ArrayBuffer(12));

function crcFits(bytes: Uint8Array, { tokenFrom, tokenTo }: Lane, number: number): boolean {
  unsent.setUint32(0, tokenTo);
  unsent.setUint32(4, tokenFrom);
  unsent.setUint32(8, number - (number % 0x1_0000));
  const register = updateCrc16(CRC16_START, new Uint8Array(unsent.buffer), 0, 12);
  return updateCrc16(register, bytes, 0, bytes.length) === CRC16_GOOD;
}
