import { createHash } from "node:crypto";
import { readHeader } from "./named-message.js";

/** What has arrived, as it is told to whoever asks; see FORMATS.md. */
export interface Arrival {
  /** Length of the content: without the header of a named message. */
  readonly bytes: number;
  /** Of the content, 64 lower-case hexadecimal digits (FIPS 180-4). */
  readonly sha256: string;
}

export function arrivalOf(message: Uint8Array): Arrival {
  const result = readHeader(message, true);
  const content = result.found === "header" ? message.subarray(result.contentAt) : message;
  return {
    bytes: content.length,
    sha256: createHash("sha256").update(content).digest("hex"),
  };
}
