import { FardelError, type Message, type Receipt } from "@fardel/core";
import type { Observation } from "@fardel/lossy-link";
import { counted } from "../format.js";
import { type Case, type CaseMessage, cutUs, microseconds } from "../scenario/cases.js";
import { capacityBytesPerS } from "./channel.js";
import { type Breach, type Mail, MailBook } from "./mail-book.js";
import { arrivalUsMax, openStations, type Stations, stationName, stationOf } from "./stations.js";

/** Counts of one of the scenario's `messages` in one run. */
export interface EntryResult {
  sent: number;
  delivered: number;
  /** Gave way to a newer value; no failure. */
  replaced: number;
  /** The sender got an error. */
  failed: number;
  /** From sending to delivery, microseconds. */
  readonly timesUs: number[];
}

/** One run of one combination. */
export interface RunResult {
  readonly seed: number;
  readonly entries: readonly EntryResult[];
  /** What makes the run a failed one, in words; the first few. */
  readonly failures: readonly string[];
  readonly failureCount: number;
  /** Message bytes per second ÷ capacity of the channel; `undefined` if that cannot be said. */
  readonly efficiency: number | undefined;
  /** Of both sides, on air. */
  readonly datagrams: number;
  /** How long the medium was busy, microseconds. */
  readonly airtimeUs: number;
  /** From the first sending to the last delivery, microseconds. */
  readonly elapsedUs: number;
}

/** Is told what happens in a run, in the order of time. */
export interface Watcher {
  sent(mail: Mail, message: CaseMessage): void;
  delivered(mail: Mail): void;
  ended(mail: Mail, outcome: string): void;
  breached(breach: string, atUs: number): void;
  observed(observation: Observation): void;
}

/** Events of the simulation between two turns of the event loop: some ten milliseconds. */
const EVENTS_PER_TURN = 5_000;
const FAILURES_KEPT = 3;

/** What a run can be told besides its seed. */
export interface RunOptions {
  readonly watcher?: Watcher;
  /** When it is cut, microseconds of virtual time; default: {@link cutUs}. */
  readonly untilUs?: number;
}

/**
 * Runs a combination once, in virtual time.
 * @returns `undefined` if the signal was aborted meanwhile
 */
export async function runOnce(
  each: Case,
  seed: number,
  signal: AbortSignal,
  { watcher, untilUs = cutUs(each) }: RunOptions = {},
): Promise<RunResult | undefined> {
  const stations = await openStations(each, seed);
  const run = new Run(each, stations, watcher);
  try {
    return (await run.toItsEnd(signal, untilUs)) ? run.result(seed) : undefined;
  } finally {
    run.finish();
    for (const endpoint of stations.endpoints) await endpoint.close();
  }
}

class Run {
  readonly #case: Case;
  readonly #stations: Stations;
  readonly #watcher: Watcher | undefined;
  readonly #book = new MailBook();
  readonly #entries: EntryResult[];
  readonly #failures: string[] = [];
  #failureCount = 0;
  /** Messages that are still to be sent, or whose sender has not heard what became of them. */
  #pending = 0;
  /** Receipts for messages that have not come out at the other side yet. */
  #owed = 0;
  readonly #receipted = new Set<number>();
  #deliveredBytes = 0;
  #stopObserving = () => {};
  #isFinished = false;
  #firstUs = Number.POSITIVE_INFINITY;
  #lastUs = 0;

  constructor(each: Case, stations: Stations, watcher: Watcher | undefined) {
    this.#case = each;
    this.#stations = stations;
    this.#watcher = watcher;
    this.#entries = each.messages.map(() => ({
      sent: 0,
      delivered: 0,
      replaced: 0,
      failed: 0,
      timesUs: [],
    }));
    if (watcher) {
      this.#stopObserving = stations.medium.observe((observation) => watcher.observed(observation));
    }
    for (const [station, endpoint] of stations.endpoints.entries()) {
      endpoint.onMessage((message) => this.#receive(station, message));
    }
    for (const [entry, message] of each.messages.entries()) this.#plan(entry, message);
  }

  /** @returns whether it came to its end; otherwise the signal was aborted */
  async toItsEnd(signal: AbortSignal, untilUs: number): Promise<boolean> {
    const { clock } = this.#stations;
    for (let events = 0; !this.#isOver; ) {
      const until = () => this.#isOver || ++events % EVENTS_PER_TURN === 0;
      const why = await clock.run({ until, untilUs });
      if (signal.aborted) return false;
      if (this.#isOver) break;
      if (why === "until") continue;
      const missing = counted(this.#pending + this.#owed, "message");
      this.#fail(`hung: ${missing} had not ended after ${untilUs / 1e6} s, when it was cut`);
      return true;
    }
    // What is on its way still comes: unacknowledged messages, and copies that must not count twice.
    await clock.run({ untilUs: clock.nowUs() + arrivalUsMax(this.#case.link) });
    return true;
  }

  /** What comes of closing the stations is no part of the run. */
  finish(): void {
    this.#isFinished = true;
    this.#stopObserving();
  }

  result(seed: number): RunResult {
    const { medium } = this.#stations;
    const { carried, airtimeUs } = medium.statistics;
    const elapsedUs = Math.max(0, this.#lastUs - this.#firstUs);
    const capacity = capacityBytesPerS(this.#case.link);
    const isKnown = capacity !== undefined && capacity > 0;
    const bytesPerS = elapsedUs > 0 ? (this.#deliveredBytes * 1e6) / elapsedUs : 0;
    return {
      seed,
      entries: this.#entries,
      failures: this.#failures,
      failureCount: this.#failureCount,
      efficiency: isKnown ? bytesPerS / capacity : undefined,
      datagrams: carried.datagrams,
      airtimeUs,
      elapsedUs,
    };
  }

  get #isOver(): boolean {
    return this.#pending === 0 && this.#owed === 0;
  }

  #plan(entry: number, message: CaseMessage): void {
    const { boards } = this.#case;
    const { clock, random } = this.#stations;
    for (let board = 1; board <= boards; board++) {
      const [from, to] = message.from === "gateway" ? [0, board] : [board, 0];
      const atUs = microseconds(message.atS + message.spreadS * random.uniform());
      this.#pending += message.count;
      let left = message.count;
      const sendNext = () => {
        this.#send(entry, message, from, to);
        // From the plan, not from the clock: the last one is not late by all roundings.
        const nextUs = atUs + microseconds(message.everyS * (message.count - --left));
        if (left > 0) clock.setTimer(nextUs, sendNext);
      };
      clock.setTimer(atUs, sendNext);
    }
  }

  #send(entry: number, message: CaseMessage, from: number, to: number): void {
    const { clock, endpoints, links } = this.#stations;
    const { bytes, way, priority, channel, deadlineS } = message;
    const sentUs = clock.nowUs();
    const { mail, body } = this.#book.enter({ entry, from, to, bytes, way, sentUs });
    this.#entries[entry]!.sent++;
    this.#firstUs = Math.min(this.#firstUs, sentUs);
    this.#watcher?.sent(mail, message);
    const options = { way, priority, deadlineMs: deadlineS * 1000 };
    endpoints[from]!.peer(links[to]!.localAddress)
      .send(body, channel === undefined ? options : { ...options, channel })
      .then(
        (receipt) => this.#settle(mail, receipt),
        (error: unknown) => this.#giveUp(mail, error),
      );
    // What is sent leaves in the next turn of the event loop: time must not pass before it.
    clock.wakeWaiters();
  }

  #settle(mail: Mail, { outcome }: Receipt): void {
    if (this.#isFinished) return;
    this.#pending--;
    this.#watcher?.ended(mail, outcome);
    if (outcome === "replaced") this.#entries[mail.entry]!.replaced++;
    if (outcome !== "delivered" || mail.deliveredUs !== undefined) return;
    this.#owed++;
    this.#receipted.add(mail.number);
  }

  #giveUp(mail: Mail, error: unknown): void {
    if (this.#isFinished) return;
    this.#pending--;
    const code = error instanceof FardelError ? error.code : String(error);
    this.#entries[mail.entry]!.failed++;
    this.#watcher?.ended(mail, code);
    const [from, to] = [stationName(mail.from), stationName(mail.to)];
    this.#fail(`message ${mail.number + 1} from ${from} to ${to}: ${code}`);
  }

  #receive(station: number, message: Message): void {
    if (this.#isFinished) return;
    const { clock } = this.#stations;
    const nowUs = clock.nowUs();
    const from = stationOf(message.peer.address);
    const mail = this.#book.deliver(from, station, message, nowUs);
    if (typeof mail === "string") {
      this.#breach(mail, from, station, nowUs);
      return;
    }
    const entry = this.#entries[mail.entry]!;
    entry.delivered++;
    entry.timesUs.push(nowUs - mail.sentUs);
    this.#deliveredBytes += mail.bytes;
    this.#lastUs = nowUs;
    this.#watcher?.delivered(mail);
    if (this.#receipted.delete(mail.number)) this.#owed--;
  }

  #breach(breach: Breach, from: number, to: number, atUs: number): void {
    const what = `a message from ${stationName(from)} came to ${stationName(to)} ${breach}`;
    this.#watcher?.breached(what, atUs);
    this.#fail(what);
  }

  #fail(what: string): void {
    this.#failureCount++;
    if (this.#failures.length < FAILURES_KEPT) this.#failures.push(what);
  }
}
