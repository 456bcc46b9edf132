import type { Address, SendOutcome } from "@fardel/core";

/** What was recorded, and since when. */
export interface CaptureHead {
  /** The link, as a person names it: at most 1,000 bytes of UTF-8, longer ones are cut. */
  readonly link: string;
  /** Largest datagram of the link, bytes, 20 to 65535. */
  readonly mtuBytes: number;
  /** Date and time of instant 0, to the millisecond. */
  readonly startedAt: Date;
  /** Address of the side that recorded, 1 to 64 bytes, if the link knows it. */
  readonly localAddress?: Address;
}

/**
 * From the side that recorded: `overheard` passed between others. `undefined` in a file that does
 * not tell is read as `overheard`.
 */
export type CaptureDirection = "sent" | "received" | "overheard";

/** A datagram as it stands in a recording. */
export interface CapturedDatagram {
  /**
   * Whole microseconds since the start: of arrival, of the outcome if it was sent. A capture that
   * was put together from several files can hold negative ones.
   */
  readonly atUs: number;
  readonly direction: CaptureDirection;
  /** 1 to 64 bytes, if known. */
  readonly from?: Address;
  /**
   * 1 to 64 bytes, if known. Of a received datagram: the address that received it; a link does not
   * say whether it was meant for everybody.
   */
  readonly to?: Address;
  /** The whole datagram, 0 to 65535 bytes. */
  readonly bytes: Uint8Array;
  /** What the link said, of one that was sent. */
  readonly outcome?: SendOutcome;
  /**
   * Of one that was sent: from handing it over until the outcome, whole microseconds, at most 2^32 - 1.
   * So it is known in which order this side did things.
   */
  readonly tookUs?: number;
  /** What became of it on a simulated medium, a word or two: at most 64 bytes of UTF-8, longer ones are cut. */
  readonly fate?: string;
  /** Signal strength, dBm, kept to a hundredth, -327 to 327. */
  readonly rssiDbm?: number;
  /** 0 to 65535. */
  readonly radioChannel?: number;
  /** A remark for people: at most 1,000 bytes of UTF-8, longer ones are cut. */
  readonly comment?: string;
}
