/**
 * Records what passes over a link as pcapng, reads it, and plays it back. CAPTURE.md describes the
 * file.
 *
 * @packageDocumentation
 */

export type { CaptureDirection, CapturedDatagram, CaptureHead } from "./captured.js";
export { CaptureError, type CaptureErrorCode } from "./errors.js";
export { type Capture, type CaptureItem, CaptureReader, isCapture, readCapture } from "./reader.js";
export { recordLink } from "./record-link.js";
export type { ReplayGap, ReplayGapReason } from "./replay/plan.js";
export { ReplayLink, type ReplayOptions } from "./replay/replay-link.js";
export { CaptureWriter, writeCapture } from "./writer.js";
