import { describeDatagram } from "@fardel/core/wire";
import type { Observation } from "@fardel/lossy-link";
import { count, bytes as inBytes } from "../format.js";
import { hex, toJson } from "../output.js";
import type { Case, CaseMessage } from "../scenario/cases.js";
import type { Mail } from "./mail-book.js";
import { type RunResult, runOnce, type Watcher } from "./run-once.js";
import { stationName, stationOf } from "./stations.js";

/** Lines that are printed at most; the rest is counted. */
const LINES_MAX = 1_000_000;
/** Lines that are written at once. */
const LINES_AT_ONCE = 200;

/**
 * Runs a combination once and writes what happens: each datagram with its fate, each message when
 * it is sent, delivered and acknowledged.
 *
 * @param write - takes whole lines
 * @returns `undefined` if the signal was aborted meanwhile
 */
export async function traceRun(
  each: Case,
  seed: number,
  signal: AbortSignal,
  options: {
    readonly json: boolean;
    readonly write: (text: string) => void;
    /** Is told of each datagram too. */
    readonly observed?: (observation: Observation) => void;
  },
): Promise<RunResult | undefined> {
  const lines = new Lines(options.write);
  const watcher = watcherOf(lines, options.json);
  const { observed } = options;
  const run = await runOnce(each, seed, signal, {
    watcher: observed
      ? {
          ...watcher,
          observed: (observation) => {
            observed(observation);
            watcher.observed(observation);
          },
        }
      : watcher,
  });
  lines.end(options.json);
  return run;
}

/** What happened at one instant, in words and as fields. */
interface Entry {
  readonly atUs: number;
  readonly who: string;
  readonly text: string;
  readonly fields: Readonly<Record<string, unknown>>;
}

function watcherOf(lines: Lines, json: boolean): Watcher {
  // Only instants that have passed are told: none is earlier than the one before it.
  let latestUs = 0;
  const tell = (entry: Entry) => {
    latestUs = Math.max(latestUs, entry.atUs);
    lines.add(json ? toJson({ ...entry.fields, atUs: entry.atUs }) : lineOf(entry));
  };
  return {
    sent: (mail, message) => tell(sentEntry(mail, message)),
    delivered: (mail) => tell(deliveredEntry(mail)),
    ended: (mail, outcome) => tell(endedEntry(mail, outcome, latestUs)),
    breached: (what, atUs) =>
      tell({ atUs, who: "!", text: what, fields: { type: "breach", what } }),
    observed: (observation) => tell(datagramEntry(observation)),
  };
}

function lineOf({ atUs, who, text }: Entry): string {
  return `${(atUs / 1000).toFixed(3).padStart(12)} ms  ${who.padEnd(20)}  ${text}`;
}

function sentEntry(mail: Mail, { priority, way }: CaseMessage): Entry {
  const { number, from, to, bytes, sentUs } = mail;
  return {
    atUs: sentUs,
    who: stationName(from),
    text: `sends message ${number + 1} to ${stationName(to)}: ${inBytes(bytes)}, ${priority}, ${way}`,
    fields: { type: "sent", message: number + 1, from, to, bytes, priority, way },
  };
}

function deliveredEntry({ number, to, sentUs, deliveredUs = sentUs }: Mail): Entry {
  const ms = ((deliveredUs - sentUs) / 1000).toFixed(3);
  return {
    atUs: deliveredUs,
    who: stationName(to),
    text: `has message ${number + 1}, ${ms} ms after it was sent`,
    fields: { type: "delivered", message: number + 1 },
  };
}

function endedEntry({ number, from }: Mail, outcome: string, atUs: number): Entry {
  return {
    atUs,
    who: stationName(from),
    text: `hears of message ${number + 1}: ${outcome}`,
    fields: { type: "ended", message: number + 1, outcome },
  };
}

function datagramEntry(observation: Observation): Entry {
  const { frame, leftAtUs, deliveredAtUs, from, to, datagram, fate, copy } = observation;
  const way = `${stationName(stationOf(from))} > ${stationName(stationOf(to))}`;
  const words = describeDatagram(datagram);
  const what = copy ? `${fate}, copy` : fate;
  const ends = { from: stationOf(from), to: stationOf(to) };
  return {
    atUs: deliveredAtUs ?? leftAtUs,
    who: way,
    text: `#${frame} ${String(datagram.length).padStart(3)} bytes ${what}: ${words}`,
    fields: { type: "datagram", frame, ...ends, fate, copy, words, bytes: hex(datagram) },
  };
}

/** Collects lines and writes them in blocks, up to a limit. */
class Lines {
  readonly #write: (text: string) => void;
  readonly #waiting: string[] = [];
  #count = 0;

  constructor(write: (text: string) => void) {
    this.#write = write;
  }

  add(line: string): void {
    if (++this.#count > LINES_MAX) return;
    this.#waiting.push(line);
    if (this.#waiting.length === LINES_AT_ONCE) this.#flush();
  }

  end(json: boolean): void {
    const more = this.#count - LINES_MAX;
    if (more > 0) {
      this.#waiting.push(
        json ? toJson({ type: "cut", lines: more }) : `… and ${count(more)} lines more`,
      );
    }
    this.#flush();
  }

  #flush(): void {
    if (this.#waiting.length > 0) this.#write(`${this.#waiting.splice(0).join("\n")}\n`);
  }
}
