import { setFlagsFromString } from "node:v8";
import { runInNewContext } from "node:vm";

/** Bytes in use once all that can be has been collected. */
export function usedBytes(): number {
  // The flag at run time spares a second process; it is off again for whatever comes after.
  setFlagsFromString("--expose-gc");
  const collect: unknown = runInNewContext("gc");
  setFlagsFromString("--no-expose-gc");
  if (typeof collect !== "function") throw new Error("Memory cannot be collected here.");
  collect();
  const { heapUsed, arrayBuffers } = process.memoryUsage();
  return heapUsed + arrayBuffers;
}
