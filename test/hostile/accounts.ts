import {
  CRC_BYTES,
  crcMatches,
  decodeFrames,
  decodeHead,
} from "../../packages/core/src/wire/index.js";
import { keyOf } from "./forge.js";

/** What has passed between the victim and one address of an attacker. */
interface Account {
  bytesIn: number;
  datagramsIn: number;
  bytesOut: number;
  datagramsOut: number;
  /** It has named a token that the victim had told it: it receives at its address. */
  isVerified: boolean;
  /** Tokens that the victim has sent there. */
  readonly told: Set<number>;
}

/**
 * Promise 7, by somebody who trusts nothing that the endpoint says of itself: to an address that has
 * not shown that it receives, the victim sends no more than well-formed datagrams came from it, neither in
 * bytes nor in datagrams, at any moment. What cannot be read earns nothing.
 */
export class Accounts {
  readonly #accounts = new Map<string, Account>();
  datagramsIn = 0;
  bytesIn = 0;
  datagramsOut = 0;
  bytesOut = 0;
  /** Addresses without proof: what went out to them over what came in. */
  worstRatio = 0;

  noteIn(from: Uint8Array, datagram: Uint8Array): void {
    this.datagramsIn++;
    this.bytesIn += datagram.length;
    const head = decodeHead(datagram);
    // The short form is for sessions: from anybody else it earns nothing.
    if (!head.ok || head.value.form !== "long") return;
    const { tokenTo, tokenFrom, number, headBytes } = head.value;
    if (!crcMatches(datagram, tokenTo, tokenFrom, number)) return;
    if (!decodeFrames(datagram, headBytes, datagram.length - CRC_BYTES).ok) return;
    const account = this.#account(from);
    account.datagramsIn++;
    account.bytesIn += datagram.length;
    account.isVerified ||= tokenTo !== 0 && account.told.has(tokenTo);
  }

  /** @throws Error when more goes out than came in */
  noteOut(to: Uint8Array, datagram: Uint8Array): void {
    this.datagramsOut++;
    this.bytesOut += datagram.length;
    const account = this.#account(to);
    account.datagramsOut++;
    account.bytesOut += datagram.length;
    const head = decodeHead(datagram);
    if (head.ok && head.value.form === "long") account.told.add(head.value.tokenFrom);
    if (account.isVerified) return;
    const { bytesIn, bytesOut, datagramsIn, datagramsOut } = account;
    this.worstRatio = Math.max(this.worstRatio, bytesOut / bytesIn, datagramsOut / datagramsIn);
    if (bytesOut <= bytesIn && datagramsOut <= datagramsIn) return;
    throw new Error(
      `To ${to.join(".")}, which has not shown that it receives, went ${bytesOut} bytes in ${datagramsOut} datagrams; ` +
        `from it came ${bytesIn} in ${datagramsIn}.`,
    );
  }

  /**
   * Forget the accounts of everybody but these: of whom the victim has forgotten, it owes nothing, and accounts weigh
   * more than what they are about.
   */
  keepOnly(addresses: Iterable<Uint8Array>): void {
    const kept = new Set(Array.from(addresses, keyOf));
    for (const key of this.#accounts.keys()) if (!kept.has(key)) this.#accounts.delete(key);
  }

  #account(address: Uint8Array): Account {
    const key = keyOf(address);
    let account = this.#accounts.get(key);
    if (!account) {
      const told = new Set<number>();
      account = {
        bytesIn: 0,
        datagramsIn: 0,
        bytesOut: 0,
        datagramsOut: 0,
        isVerified: false,
        told,
      };
      this.#accounts.set(key, account);
    }
    return account;
  }
}
