import { readFileSync } from "node:fs";

/** For tests of vectors: a file of this folder as text, and read as any other implementation would. */
export function textOf(name: string): string {
  return readFileSync(new URL(`./${name}.json`, import.meta.url), "utf8");
}

export function load<T>(name: string): T[] {
  return JSON.parse(textOf(name)) as T[];
}

export function bytesOf(hex: string): Uint8Array {
  return Uint8Array.from(Buffer.from(hex, "hex"));
}

export function hexOf(bytes: Uint8Array): string {
  return Buffer.from(bytes).toString("hex");
}
