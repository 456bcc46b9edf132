import type { ByteWriter } from "../wire/byte-writer.js";
import { encodeSessionless } from "../wire/sessionless-datagram.js";
import type { Outcome } from "./protocol.js";

/** Datagrams without session that wait for the link at most; one more is refused. */
export const SESSIONLESS_WAITING_MAX = 16;

/** A body on its way out, and who wants to know what became of it. */
export interface SessionlessBody {
  readonly address: Uint8Array;
  readonly kind: number;
  readonly body: Uint8Array;
  readonly done: (outcome: Outcome) => void;
}

/** Writes it. @returns the datagram, as a view of the writer's array */
export function composeSessionless(out: ByteWriter, { kind, body }: SessionlessBody): Uint8Array {
  encodeSessionless(out, kind, body);
  return out.bytes.subarray(0, out.at);
}
