// A gateway that collects readings: each becomes a line of JSON at the end of a file, which goes on
// where it was after a restart. The row stations are simulated, on a radio that loses every fifth
// datagram; their readings are invented.
//
//   node scripts/run.mjs examples/collect-readings.ts --file readings.jsonl
//
// The file grows by some 90 bytes a reading. To start a new one, move it away while this is stopped.

import {
  closeSync,
  fdatasync,
  fdatasyncSync,
  fstatSync,
  openSync,
  readSync,
  writeSync,
} from "node:fs";
import { parseArgs } from "node:util";
import { Endpoint, type Message, SystemClock } from "@fardel/core";
import { Medium, presets } from "@fardel/lossy-link";
import { decodeValue, sendValue, ValueError } from "@fardel/msgpack";

/** Readings are small; whoever sends more is refused. */
const READING_BYTES_MAX = 1024;
/** How often the file is brought to the disk: so much is lost when the power fails. */
const SYNC_MS = 1000;
/** How often a station measures. Invented. */
const MEASURE_MS = 1000;
/** Nobody wants a temperature that is older than this. */
const TEMPERATURE_DEADLINE_MS = 10_000;

const gatewayAddress = Uint8Array.of(2, 0, 0, 0, 0, 0xff);
const STATIONS: ReadonlyMap<string, Uint8Array> = new Map(
  [1, 2, 3, 4, 5].map((row) => [`row-${row}`, Uint8Array.of(2, 0, 0, 0, 0, row)]),
);

const NAMES = new Map(Array.from(STATIONS, ([name, address]) => [address.join(), name]));

const options = readOptions();
const file = openForLines(options.file);
const counts = { readings: 0, unreadable: 0, strangers: 0 };
const coldest = { station: "", airC: Number.POSITIVE_INFINITY };
const heard = new Set<string>();
let mustSync = false;
let isStopping = false;

// With a radio: `const link = await SerialBridgeLink.connect(…)` in place of this medium.
const medium = new Medium({ ...presets.reference(), clock: new SystemClock(), loss: 0.2 });
const gateway = await Endpoint.open({
  link: medium.attach({ address: gatewayAddress }),
  messageBytesMax: READING_BYTES_MAX,
});
// A handler, not `messages()`: it has written the line before the reading is acknowledged. What a
// station knows to be delivered is in the file.
gateway.onMessage(collect);
const stations = await Promise.all([...STATIONS].map(([, address]) => startStation(address)));

const summaries = setInterval(summarize, options.everyS * 1000);
const syncing = setInterval(sync, SYNC_MS);
for (const signal of ["SIGINT", "SIGTERM"] as const) process.once(signal, () => stop(0));
console.log(`Collecting from ${STATIONS.size} stations into ${options.file}. Ctrl-C ends it.`);

function collect({ peer, bytes }: Message): void {
  const station = NAMES.get(peer.address.join());
  if (station === undefined) {
    counts.strangers++;
    return;
  }
  const reading = readReading(bytes);
  if (!reading) {
    counts.unreadable++;
    return;
  }
  counts.readings++;
  heard.add(station);
  if (typeof reading.airC === "number" && reading.airC < coldest.airC) {
    Object.assign(coldest, { station, airC: reading.airC });
  }
  append({ at: new Date().toISOString(), station, reading });
}

/** A map of numbers and texts, or nothing: what comes by radio may be anything. */
function readReading(bytes: Uint8Array): Record<string, unknown> | undefined {
  try {
    const value = decodeValue(bytes);
    const isMap = typeof value === "object" && value !== null && !Array.isArray(value);
    const isPlain =
      isMap && Object.values(value).every((part) => /number|string/.test(typeof part));
    return isPlain ? (value as Record<string, unknown>) : undefined;
  } catch (error) {
    if (error instanceof ValueError) return undefined;
    throw error;
  }
}

/** From here on it survives the end of this program, however that comes. */
function append(line: object): void {
  const bytes = Buffer.from(`${JSON.stringify(line)}\n`);
  try {
    for (let at = 0; at < bytes.length; ) at += writeSync(file, bytes, at);
    mustSync = true;
  } catch (error) {
    // A full disk. Closed at once, the gateway does not acknowledge this reading either.
    console.error(`${options.file} cannot be written: ${(error as Error).message}`);
    void stop(1);
  }
}

/** Survives a power cut as well. The loop goes on meanwhile: a slow disk takes its time. */
function sync(): void {
  if (!mustSync) return;
  mustSync = false;
  fdatasync(file, (error) => {
    if (error) console.error(`${options.file} cannot be brought to the disk: ${error.message}`);
  });
}

/** What has come since the last time, and from whom nothing has. */
function summarize(): void {
  const { readings, unreadable, strangers } = counts;
  const time = new Date().toISOString().slice(11, 19);
  const cold = heard.size > 0 ? `, coldest ${coldest.airC} °C at ${coldest.station}` : "";
  const odd =
    unreadable + strangers > 0 ? `, ${unreadable} unreadable, ${strangers} of strangers` : "";
  const lost = [...STATIONS.keys()].filter((name) => !heard.has(name));
  const silent = lost.length > 0 ? `, silent: ${lost.join(" ")}` : "";
  console.log(`${time} UTC ${readings} readings of ${heard.size} stations${cold}${odd}${silent}`);
  Object.assign(counts, { readings: 0, unreadable: 0, strangers: 0 });
  Object.assign(coldest, { station: "", airC: Number.POSITIVE_INFINITY });
  heard.clear();
}

/**
 * The file at its end, on a new line: one that was cut short by a power cut stays as it is, on a line
 * of its own, and readers pass over what is no JSON.
 */
function openForLines(path: string): number {
  try {
    const opened = openSync(path, "a+");
    const { size } = fstatSync(opened);
    const last = Buffer.alloc(1);
    if (size > 0 && readSync(opened, last, 0, 1, size - 1) === 1 && last.toString() !== "\n") {
      writeSync(opened, "\n");
      console.log(`The last line of ${path} was cut short. New ones follow on lines of their own.`);
    }
    return opened;
  } catch (error) {
    return fail(`${path} cannot be written: ${(error as Error).message}. Choose another --file.`);
  }
}

/** A simulated row station. */
async function startStation(address: Uint8Array): Promise<{ stop(): Promise<void> }> {
  const board = await Endpoint.open({ link: medium.attach({ address }) });
  const peer = board.peer(gatewayAddress);
  let number = 0;
  const measuring = setInterval(() => {
    const airC = Math.round(20 * Math.cos(++number / 60) + (address[5] as number)) / 10;
    // A newer temperature replaces one that has not got through yet.
    sendValue(peer, { airC, number }, { way: "latest", deadlineMs: TEMPERATURE_DEADLINE_MS }).catch(
      ignore,
    );
    // Each switching counts. If the gateway restarts it comes again, perhaps twice: `number` tells.
    if (number % 10 === 0) {
      const fan = airC < 1 ? "on" : "off";
      sendValue(peer, { fan, number }, { afterRestart: "resend" }).catch(ignore);
    }
  }, MEASURE_MS);
  return {
    stop: () => {
      clearInterval(measuring);
      return board.close();
    },
  };
}

/** A real station counts what it could not deliver, and shows it on a lamp. */
function ignore(): void {}

function readOptions(): { readonly file: string; readonly everyS: number } {
  try {
    const { values } = parseArgs({
      options: {
        file: { type: "string", default: "readings.jsonl" },
        "every-s": { type: "string", default: "60" },
      },
    });
    const everyS = Number(values["every-s"]);
    if (everyS >= 0.1 && everyS <= 86_400) return { file: values.file, everyS };
    return fail("--every-s must be a number of seconds from 0.1 to 86400.");
  } catch (error) {
    return fail((error as Error).message);
  }
}

function fail(sentence: string): never {
  console.error(sentence);
  process.exit(2);
}

/** Takes no more readings, brings the rest to the disk, ends. */
async function stop(exitCode: number): Promise<void> {
  if (isStopping) return;
  isStopping = true;
  process.exitCode = exitCode;
  const closing = gateway.close();
  clearInterval(summaries);
  clearInterval(syncing);
  await closing;
  await Promise.all(stations.map((station) => station.stop()));
  fdatasyncSync(file);
  closeSync(file);
  summarize();
  console.log("Stopped.");
}
