import { describeDatagram } from "@fardel/core/wire";

/** What a frame can be called, for filters. */
export const FRAME_NAMES = [
  "data",
  "ack",
  "skip",
  "hello",
  "stop",
  "close",
  "no-session",
  "loose",
  "extension",
  /** A datagram without frames. */
  "none",
  /** A datagram that cannot be read, or a long one whose checksum is wrong. */
  "unreadable",
] as const;

export type FrameName = (typeof FRAME_NAMES)[number];

/** How the sender numbered a datagram (PROTOCOL.md, section 2). */
export type DatagramNumber =
  | { readonly form: "short"; readonly low: number }
  | { readonly form: "long"; readonly tokenFrom: number; readonly number: number };

/** A datagram taken apart into words. */
export interface DatagramWords {
  /** All of it, as `describeDatagram` of `@fardel/core/wire` writes it. */
  readonly text: string;
  /** Each frame in words, fill bytes included. */
  readonly frames: readonly string[];
  /** What it consists of, each name once; never empty. */
  readonly names: ReadonlySet<FrameName>;
  /** `undefined` if the datagram cannot be read. */
  readonly number: DatagramNumber | undefined;
}

/**
 * Describes a datagram. Pure; hostile bytes give `unreadable`.
 *
 * The entry of core for tools gives words, not frames: they are taken apart again here, and a test
 * compares them with what the decoder says.
 */
export function datagramWords(datagram: Uint8Array): DatagramWords {
  const text = describeDatagram(datagram);
  const [head = "", ...rest] = text.split(" · ");
  const crc = rest.pop() ?? "";
  const number = crc.startsWith("crc ") ? numberOf(head) : undefined;
  if (!number) {
    return { text, frames: [], names: new Set(["unreadable"]), number: undefined };
  }
  const names = new Set(rest.map(nameOf).filter((name) => name !== undefined));
  if (crc.endsWith(" wrong") || names.has("unreadable")) {
    return { text, frames: rest, names: new Set(["unreadable"]), number: undefined };
  }
  if (names.size === 0) names.add("none");
  return { text, frames: rest, names, number };
}

function numberOf(head: string): DatagramNumber | undefined {
  const short = /^short #…([0-9a-f]{4}) /.exec(head);
  if (short) return { form: "short", low: Number.parseInt(short[1] ?? "", 16) };
  const long = /^long from ([0-9a-f]{8}) to [0-9a-f]{8} #([0-9a-f]{8}) /.exec(head);
  if (!long) return undefined;
  const [, tokenFrom = "", number = ""] = long;
  return {
    form: "long",
    tokenFrom: Number.parseInt(tokenFrom, 16),
    number: Number.parseInt(number, 16),
  };
}

/** `undefined` for fill bytes, which are no frame. */
function nameOf(frame: string): FrameName | undefined {
  if (frame === "no session") return "no-session";
  const word = /^[a-z]+(?=[ ,]|$)/.exec(frame)?.[0];
  if (word === "pad") return undefined;
  return FRAME_NAMES.find((name) => name === word) ?? "unreadable";
}
