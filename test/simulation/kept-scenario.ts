import { readFileSync, writeFileSync } from "node:fs";
import type { Feature } from "./features.js";
import type { Scenario } from "./scenario.js";

/**
 * A scenario as JSON: what once found a fault is kept as it was drawn, whatever a later version draws
 * from its seed.
 */
export function writeScenario(file: string, scenario: Scenario): void {
  const replace = (_: string, value: unknown) => {
    if (value instanceof Set) return { set: [...value] };
    if (value instanceof Uint8Array) return { hex: Buffer.from(value).toString("hex") };
    return value;
  };
  writeFileSync(file, `${JSON.stringify(scenario, replace, 1)}\n`);
}

/** @throws Error - when the file is not there, or not JSON */
export function readScenario(file: string): Scenario {
  const revive = (_: string, value: unknown) => {
    if (value === null || typeof value !== "object") return value;
    if ("set" in value && Array.isArray(value.set)) return new Set(value.set as Feature[]);
    if ("hex" in value && typeof value.hex === "string")
      return new Uint8Array(Buffer.from(value.hex, "hex"));
    return value;
  };
  return JSON.parse(readFileSync(file, "utf8"), revive) as Scenario;
}
