import type { FrameReaderCounts } from "../frame-reader.js";

/** What a bridge counts since its boot. @see BRIDGE.md, section 5.5 */
export class BridgeCounts {
  /** Undamaged frames that no host sends: fields or tokens are out of range. */
  malformed = 0;
  unknownType = 0;
  toRadio = 0;
  acknowledged = 0;
  notAcknowledged = 0;
  refused = 0;
  lostOnLine = 0;
  heard = 0;
  dropped = 0;
  radioSilences = 0;

  /** In the order of the frame STATISTICS, each modulo 2^32. */
  list(others: {
    readonly uptimeUs: number;
    readonly reader: FrameReaderCounts;
    readonly putOut: number;
  }): number[] {
    const { good, damaged, tooLong } = others.reader;
    return [
      Math.floor(others.uptimeUs / 1e6),
      good,
      damaged + tooLong + this.malformed,
      this.unknownType,
      this.toRadio,
      this.acknowledged,
      this.notAcknowledged,
      this.refused,
      this.lostOnLine,
      this.heard,
      this.dropped,
      others.putOut,
      this.radioSilences,
    ].map((count) => count >>> 0);
  }
}
