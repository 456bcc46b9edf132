import { createHash } from "node:crypto";
import { Random } from "@fardel/lossy-link";

/** Bytes that look random; the same seed gives the same ones in every process. */
export function blob(bytes: number, seed: number): Uint8Array {
  const random = new Random(seed).stream("blob");
  return Uint8Array.from({ length: bytes }, () => random.integer(0, 255));
}

export function digest(bytes: Uint8Array): string {
  return createHash("sha256").update(bytes).digest("hex");
}
