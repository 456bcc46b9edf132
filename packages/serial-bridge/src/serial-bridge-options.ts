import { type Clock, SystemClock } from "@fardel/core";
import { cryptoRandom } from "./crypto-random.js";
import { SerialBridgeError } from "./errors.js";
import type { Framing } from "./frame-reader.js";
import type { ConnectionOptions } from "./host/connection.js";
import type { SerialBridgeEvents } from "./serial-bridge-events.js";

/** Options of {@link SerialBridgeLink.connect}. */
export interface SerialBridgeOptions {
  /**
   * The bit rate of the board. If no bridge answers at it, others are tried for a second each, only
   * so that the error can name the right one.
   */
  readonly bitRate?: number;
  /**
   * Bit rates to try one after the other, 3 s each. Default: 115200, 921600, 460800, 230400, 57600.
   * A source without bit rates is tried once.
   */
  readonly bitRates?: readonly number[];
  /** How frames are delimited; the board must be set to the same. Default `cobs`. */
  readonly framing?: Framing;
  /** Default: real time. */
  readonly clock?: Clock;
  /** Uniform unsigned 32-bit numbers. Default: the platform's cryptographic source. */
  readonly random?: () => number;
  /** Aborting it ends connecting with `aborted`. It has no effect afterwards. */
  readonly signal?: AbortSignal;
  /** As `on("log")`, also while connecting. */
  readonly onLog?: (event: SerialBridgeEvents["log"]) => void;
  /** As `on("chatter")`, also while connecting. */
  readonly onChatter?: (event: SerialBridgeEvents["chatter"]) => void;
}

/** What the host counts, since it connected. */
export interface SerialBridgeCounts {
  /** Datagrams that the bridge passed on, and those missing in between: lost on the line. */
  readonly received: number;
  readonly receivedMissing: number;
  /** Datagrams that the bridge never got. */
  readonly lostOnLine: number;
  /** Sessions that ended because the board restarted, or host and bridge were out of step. */
  readonly restarts: number;
  /** How often the port had to be opened anew: it was gone, or the bridge was silent. */
  readonly reopenings: number;
  /** Undamaged frames from the bridge; what was damaged, noise between frames included. */
  readonly frames: number;
  readonly framesDamaged: number;
}

/** @throws {@link SerialBridgeError} `invalid-option` */
export function connectionOptionsOf(options: SerialBridgeOptions): ConnectionOptions {
  const { clock = new SystemClock(), random = cryptoRandom, framing = "cobs" } = options;
  if (framing !== "cobs" && framing !== "slip") {
    throw new SerialBridgeError("invalid-option", `framing is ${framing}: give "cobs" or "slip".`);
  }
  return {
    clock,
    random,
    framing,
    counts: { received: 0, receivedMissing: 0, lostOnLine: 0, restarts: 0 },
    lineCounts: { bytes: 0, frames: 0, damaged: 0 },
  };
}
