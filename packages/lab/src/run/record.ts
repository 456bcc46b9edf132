import type { Fate } from "@fardel/lossy-link";
import type { LabSettings } from "./settings.js";

/**
 * A whole run, ready to be looked at from any instant: every view is a function of a record and a
 * time. Columns instead of objects, so that it crosses from the worker without being copied, and a
 * frame of the picture costs no memory. Times in microseconds from the start; `NaN`: never.
 */
export interface RunRecord {
  /** `undefined`: it comes from a recording, not from a simulation. */
  readonly settings: LabSettings | undefined;
  /** 0 is the gateway; in a recording: the side that recorded. */
  readonly stations: readonly StationRecord[];
  readonly endUs: number;
  /** `cut`: it was ended at the limit of time or datagrams, and says so in `ending`. */
  readonly outcome: "done" | "failed" | "cut";
  /** In a plain sentence. */
  readonly ending: string;
  readonly datagrams: DatagramTable;
  readonly transfers: readonly TransferRecord[];
  /** In the order of time. */
  readonly notes: readonly NoteRecord[];
  /** Intervals in which nothing gets through, microseconds. */
  readonly outagesUs: readonly (readonly [number, number])[];
  readonly figures: RunFigures;
}

export interface StationRecord {
  /** `gateway`, `row 1`, … */
  readonly name: string;
  /** As text, `02:00:00:00:00:01`. */
  readonly address: string;
  /** From the gateway, metres; `undefined` if distance is left out. */
  readonly distanceM: number | undefined;
}

/** What a datagram is for, in one word for its look. */
export const DATAGRAM_KINDS = [
  /** Carries a fragment for the first time. */
  "data",
  /** Carries a fragment again. */
  "repeat",
  /** Acks, and no fragment. */
  "ack",
  /** Opens a session: HELLO is in it. */
  "opening",
  /** An urgent command. */
  "command",
  "other",
] as const;
export type DatagramKind = (typeof DATAGRAM_KINDS)[number];

/** `pending`: not known in this recording. The others as on the simulated medium. */
export const FATE_NAMES = [
  "delivered",
  "corrupted",
  "lost",
  "faded",
  "outage",
  "collided",
  "truncated",
  "unheard",
  "filtered",
  "pending",
] as const satisfies readonly (Fate | "pending")[];
export type FateName = (typeof FATE_NAMES)[number];

/** One row for each datagram at each receiver, copies too, in the order of `startUs`. */
export interface DatagramTable {
  readonly count: number;
  /** When it began to be on air. */
  readonly startUs: Float64Array;
  /** When it left the air. */
  readonly leftUs: Float64Array;
  /** When it was handed to the receiver; `NaN`: it was not. */
  readonly arrivedUs: Float64Array;
  /** Index in `stations`; 65,535: everybody, or unknown. */
  readonly from: Uint16Array;
  readonly to: Uint16Array;
  /** Index in {@link FATE_NAMES}. */
  readonly fate: Uint8Array;
  /** Index in {@link DATAGRAM_KINDS}. */
  readonly kind: Uint8Array;
  /** 1: the second delivery of a duplicated datagram. */
  readonly isCopy: Uint8Array;
  /** dBm at the receiver; `NaN`: not known. */
  readonly rssiDbm: Float32Array;
  /** Its bytes as delivered, else as sent: `bytes.subarray(byteFrom[i], byteFrom[i + 1])`; has `count + 1` entries. */
  readonly byteFrom: Uint32Array;
  readonly bytes: Uint8Array;
}

/** One message larger than a command, from the gateway to a board or back. */
export interface TransferRecord {
  readonly from: number;
  readonly to: number;
  readonly bytes: number;
  /** Of the wire; PROTOCOL.md, section 5. */
  readonly channel: number;
  /** Fragments that were cut; index 0 is the first one of the message. */
  readonly fragmentCount: number;
  /** Message bytes in each fragment. */
  readonly fragmentBytes: Uint16Array;
  /** When it was first on air, when it first arrived at the receiver, and when the sender knew that. */
  readonly sentUs: Float64Array;
  readonly arrivedUs: Float64Array;
  readonly acknowledgedUs: Float64Array;
  /** Every sending of a fragment, in the order of time. */
  readonly sends: {
    readonly atUs: Float64Array;
    readonly fragment: Uint32Array;
    /** Row in the table of datagrams; of one that a radio put on air again: that which arrived, or the last. */
    readonly datagram: Uint32Array;
    readonly isRepeat: Uint8Array;
  };
  /** Each time that the sender took a fragment for lost. */
  readonly losses: {
    readonly atUs: Float64Array;
    readonly fragment: Uint32Array;
    /** Index in {@link LOSS_CAUSES}. */
    readonly cause: Uint8Array;
  };
  /** The sender's window whenever it moved: fragments `base` to `limit - 1` may be under way. */
  readonly window: {
    readonly atUs: Float64Array;
    readonly base: Uint32Array;
    readonly limit: Uint32Array;
  };
  readonly handedOverUs: number;
  /** `NaN`: it did not arrive whole. */
  readonly deliveredUs: number;
  /** When the sender had its receipt or its error. */
  readonly endedUs: number;
  /** `delivered`, `under way` when the run was cut, or the code of the error; in a recording `delivered` or `unknown`. */
  readonly outcome: string;
}

/** Why a sender took a fragment for lost; PROTOCOL.md, section 7.2. */
export const LOSS_CAUSES = ["overtaken", "late", "link", "unanswered"] as const;
export type LossCause = (typeof LOSS_CAUSES)[number];

/** Something that happened, for the list of events and for screen readers. */
export interface NoteRecord {
  readonly atUs: number;
  readonly kind: "session" | "transfer" | "command" | "outage" | "trouble";
  /** A plain sentence. */
  readonly text: string;
  /** The board it is about; `undefined`: none or all. */
  readonly station: number | undefined;
}

/** What a run comes to. */
export interface RunFigures {
  /** From the first hand-over to the last delivery. */
  readonly elapsedUs: number;
  readonly deliveredBytes: number;
  readonly goodputBytesPerS: number;
  /** What the channel can carry with this loss; `undefined` if that cannot be said. */
  readonly limitBytesPerS: number | undefined;
  /** Goodput ÷ limit. */
  readonly efficiency: number | undefined;
  readonly datagramsOnAir: number;
  readonly datagramsLost: number;
  readonly fragmentsSent: number;
  readonly fragmentsRepeated: number;
  readonly airtimeUs: number;
  /** From hand-over to delivery of each command that arrived, microseconds. */
  readonly commandTimesUs: readonly number[];
}
