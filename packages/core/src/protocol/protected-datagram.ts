import { decodeFrames, isNoSession } from "../wire/frames.js";
import type { Head } from "../wire/head.js";
import type { LongContent } from "./long-datagram.js";
import type { PairKey, SessionName } from "./protection.js";
import type { Session } from "./session.js";
import {
  openNoSession,
  openOpening,
  type ProtectedSender,
  refusedTokenOf,
  type SessionGuard,
} from "./session-guard.js";

/** What a protected datagram of the long form holds, and under which key it was right. */
export interface ProtectedContent {
  readonly content: LongContent;
  readonly sender?: ProtectedSender;
  /** NO-SESSION: the token that its sender does not have; 0: it answers an opening. */
  readonly refusedToken?: number;
}

/** A token that nobody has any more: what came with it cannot be checked, and is not looked at. */
const UNKNOWN_TOKEN: ProtectedContent = { content: [] };
const CORRUPT: ProtectedContent = { content: "corrupt" };

/**
 * Reads a protected long datagram.
 * @param sessions - those that there are with its sender
 * @see PROTOCOL.md, section 17
 */
export function readProtected(
  datagram: Uint8Array,
  head: Head & { form: "long" },
  keys: readonly PairKey[],
  sessions: readonly (Session | undefined)[],
): ProtectedContent {
  const { tokenTo } = head;
  if (head.tokenFrom === 0 || tokenTo === 0) return tryKeys(datagram, head, keys, undefined);
  const session = sessions.find((each) => each?.token === tokenTo);
  if (!session) return UNKNOWN_TOKEN;
  const { guard } = session;
  if (!guard) return CORRUPT;
  const others = keys.filter((key) => key !== guard.key);
  return tryKeys(datagram, head, [guard.key, ...others], guard);
}

function tryKeys(
  datagram: Uint8Array,
  head: Head & { form: "long" },
  keys: readonly PairKey[],
  guard: SessionGuard | undefined,
): ProtectedContent {
  const salt = head.salt as Uint8Array;
  const from: SessionName = { token: head.tokenFrom, salt };
  for (const key of keys) {
    const plain = open(datagram, head, from, key, guard);
    if (!plain) continue;
    const frames = decodeFrames(plain, 0, plain.length);
    const isSound = frames.ok && isNoSession(frames.value) === (from.token === 0);
    return {
      content: isSound ? frames.value : "malformed",
      sender: { salt, key },
      ...(from.token === 0 && { refusedToken: refusedTokenOf(datagram) }),
    };
  }
  return CORRUPT;
}

function open(
  datagram: Uint8Array,
  { tokenTo, number }: Head & { form: "long" },
  from: SessionName,
  key: PairKey,
  guard: SessionGuard | undefined,
): Uint8Array | undefined {
  if (from.token === 0) return openNoSession(datagram, tokenTo, number, key);
  return guard
    ? guard.openLong(datagram, from, number, key)
    : openOpening(datagram, from, number, key);
}
