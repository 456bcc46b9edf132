import type { Interval, presets } from "@fardel/lossy-link";

/** Media that a person can choose; see `presets` of `@fardel/lossy-link`. */
export type PresetName = keyof typeof presets;

/** What a run sends. */
export interface LoadSettings {
  /** `push`: the gateway sends to each board; `collect`: each board sends to the gateway. */
  readonly direction: "push" | "collect";
  /** `table`: the frost table, invented; `file`: a file of the person's own; `bytes`: so many made-up ones. */
  readonly source: "table" | "file" | "bytes";
  /** Size of the blob, bytes, 0..4,194,304. Of a file: its size. */
  readonly bytes: number;
  /** Between two urgent commands of 32 bytes to each board while it lasts, seconds; 0: none. */
  readonly commandEveryS: number;
}

/** All that decides a run: the same settings give the same run on every machine. */
export interface LabSettings {
  /** 1..1,000,000,000 */
  readonly seed: number;
  /** 1..50 */
  readonly boards: number;
  readonly preset: PresetName;
  /** Largest datagram, bytes, 20..1,500. */
  readonly datagramBytes: number;
  /** Bit rate on air, kbit/s, 1..100,000; 0: that of the preset. */
  readonly rateKbps: number;
  /** Mean share of datagrams lost each way, 0..0.95. */
  readonly loss: number;
  /** Mean number of datagrams lost in a row, 1..100; 1: each for itself. */
  readonly burst: number;
  /** Distance of the boards from the gateway, metres, 0..1,000; 0: signal strength is left out. */
  readonly distanceM: number;
  /** Share of datagrams that arrive twice, late, or with flipped bits, 0..0.5. */
  readonly duplicate: number;
  readonly reorder: number;
  readonly corrupt: number;
  /** Intervals in which nothing gets through, seconds. At most 20. */
  readonly outagesS: readonly Interval[];
  /** Fragments that a receiver takes beyond the first missing one, 1..255. */
  readonly window: number;
  readonly load: LoadSettings;
}
