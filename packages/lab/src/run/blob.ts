import { Random } from "@fardel/lossy-link";
import { LabError } from "./lab-error.js";
import type { LoadSettings } from "./settings.js";

const HEAD =
  "# Frost watch of an orchard. Invented data: no such orchard, no measured values, no advice.\n" +
  "row,station,warn,fan_on,hysteresis,fan_off,report_s\n";

const STATIONS_PER_ROW = 12;

/**
 * What a run sends to a board, or collects from it.
 *
 * @param seed - for `bytes`: the same seed gives the same bytes
 * @throws LabError `no-file`
 */
export function makeBlob(load: LoadSettings, seed: number, file?: Uint8Array): Uint8Array {
  switch (load.source) {
    case "table":
      return frostTable(load.bytes);
    case "bytes":
      return madeUpBytes(load.bytes, seed);
    case "file":
      if (file !== undefined) return file;
      throw new LabError("no-file", "Choose a file to send, or send the frost table instead.");
  }
}

/** When stations of an orchard warn and when its fans run: text, cut at this many bytes. Invented. */
export function frostTable(bytes: number): Uint8Array {
  const encoder = new TextEncoder();
  const table = new Uint8Array(bytes);
  const random = new Random("frost table");
  let at = put(table, 0, encoder.encode(HEAD));
  for (let line = 0; at < bytes; line++) at = put(table, at, encoder.encode(rowOf(line, random)));
  return table;
}

function rowOf(line: number, random: Random): string {
  const row = String(Math.floor(line / STATIONS_PER_ROW) + 1).padStart(2, "0");
  const station = (line % STATIONS_PER_ROW) + 1;
  // Twentieths of a degree, so that nothing has to be rounded.
  const fanOn = random.integer(4, 12) / 20;
  const hysteresis = random.integer(10, 20) / 20;
  const warn = fanOn + 1.5;
  const values = [warn, fanOn, hysteresis, fanOn + hysteresis].map((value) => value.toFixed(2));
  return `R${row},S${station},${values.join(",")},${random.integer(1, 4) * 15}\n`;
}

function put(into: Uint8Array, at: number, bytes: Uint8Array): number {
  into.set(bytes.subarray(0, into.length - at), at);
  return Math.min(into.length, at + bytes.length);
}

function madeUpBytes(bytes: number, seed: number): Uint8Array {
  const random = new Random(seed).stream("blob");
  const blob = new Uint8Array(bytes);
  for (let index = 0; index < bytes; index++) blob[index] = random.uint32() >>> 24;
  return blob;
}

export const COMMAND_BYTES = 32;

const COMMAND_WORDS = "fan on ";

/** `fan on`, its number from 0, and zeros. Invented, as is the orchard. */
export function commandBody(number: number): Uint8Array {
  const body = new Uint8Array(COMMAND_BYTES);
  new TextEncoder().encodeInto(`${COMMAND_WORDS}${number}`, body);
  return body;
}

/** The number in the body of a command. */
export function commandNumber(body: Uint8Array): number {
  return Number.parseInt(new TextDecoder().decode(body).slice(COMMAND_WORDS.length), 10);
}
