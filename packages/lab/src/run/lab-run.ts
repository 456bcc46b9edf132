import { FardelError, type Message } from "@fardel/core";
import type { Medium, MediumStatistics, VirtualClock } from "@fardel/lossy-link";
import { COMMAND_BYTES, commandBody, commandNumber } from "./blob.js";
import { LabError } from "./lab-error.js";
import { arrivalUsMax } from "./medium.js";
import type { LabSettings } from "./settings.js";
import {
  type Onlooker,
  openStations,
  type Stations,
  stationAddress,
  stationOf,
} from "./stations.js";

/** When a run is cut, microseconds of virtual time. */
export const RUN_US_MAX = 3_600_000_000;
/** Events of the simulation between two turns of the event loop: some milliseconds. */
const EVENTS_PER_TURN = 1_000;
/** A blob may take as long as the longest run. */
const DEADLINE_MS = 2 * (RUN_US_MAX / 1000);
/** So many full datagrams may still leave at the end. */
const DRAIN_DATAGRAMS = 4;

/** One blob on its way. Times in microseconds; `NaN`: not yet. */
export interface Errand {
  readonly board: number;
  readonly from: number;
  readonly to: number;
  readonly handedOverUs: number;
  deliveredUs: number;
  endedUs: number;
  acknowledgedBytes: number;
  /** `under way`, `delivered`, or the code of the error. */
  outcome: string;
}

/** A command and what became of it. */
export interface Command {
  readonly board: number;
  readonly sentUs: number;
  deliveredUs: number;
}

/** Who is told what happens in a run, in the order of time. */
export interface RunWatcher {
  readonly onlooker: (medium: Medium, clock: VirtualClock) => Onlooker;
  /** The stations are there, nothing is sent yet. */
  began(stations: Stations): void;
  delivered(errand: Errand): void;
  ended(errand: Errand): void;
  commandSent(command: Command): void;
  commandDelivered(command: Command): void;
  /** Whether more can be taken down; asked now and then. */
  readonly isFull: boolean;
  /** What happens from here on is no part of the run. */
  finished(): void;
}

export interface RunControls {
  /** Asked some hundred times a second. */
  readonly shouldStop?: (() => boolean) | undefined;
  /** Share of the blobs that is acknowledged, 0..1. */
  readonly onProgress?: ((share: number) => void) | undefined;
}

export type WhyCut = "time" | "full";

/**
 * One run of the settings: a gateway, its boards, a blob for each (or from each), commands while it
 * lasts. Knows nothing of records.
 */
export class LabRun {
  readonly errands: Errand[] = [];
  readonly commands: Command[] = [];
  readonly #settings: LabSettings;
  readonly #blob: Uint8Array;
  readonly #watcher: RunWatcher | undefined;
  #stations!: Stations;
  #statistics: MediumStatistics | undefined;
  #pending = 0;
  #isFinished = false;

  constructor(settings: LabSettings, blob: Uint8Array, watcher?: RunWatcher) {
    this.#settings = settings;
    this.#blob = blob;
    this.#watcher = watcher;
  }

  /**
   * Runs until everybody knows what became of the blobs.
   * @returns why it was cut; `undefined`: it was not
   * @throws LabError `stopped`
   */
  async toItsEnd(controls: RunControls): Promise<WhyCut | undefined> {
    this.#stations = await openStations(this.#settings, this.#blob.length, this.#watcher?.onlooker);
    try {
      this.#watcher?.began(this.#stations);
      this.#plan();
      const why = await this.#runUntilOver(controls);
      if (this.#watcher !== undefined && why !== "full") await this.#drain();
      return why;
    } finally {
      this.#isFinished = true;
      this.#statistics = this.#stations.medium.statistics;
      this.#watcher?.finished();
      for (const endpoint of this.#stations.endpoints) await endpoint.close();
    }
  }

  /** Of the medium, when the run had ended. */
  get statistics(): MediumStatistics {
    if (this.#statistics === undefined) throw new Error("The run has not ended.");
    return this.#statistics;
  }

  get #isOver(): boolean {
    return this.#pending === 0;
  }

  async #runUntilOver({ shouldStop, onProgress }: RunControls): Promise<WhyCut | undefined> {
    const { clock } = this.#stations;
    let events = 0;
    const until = () => this.#isOver || ++events % EVENTS_PER_TURN === 0;
    while (!this.#isOver) {
      const why = await clock.run({ until, untilUs: RUN_US_MAX });
      if (shouldStop?.()) throw new LabError("stopped", "The run was stopped.");
      if (this.#isOver) break;
      if (why !== "until") return "time";
      if (this.#watcher?.isFull) return "full";
      onProgress?.(this.#share);
    }
    onProgress?.(1);
    return undefined;
  }

  /** What is on air comes to its end, and what was held up still arrives. */
  async #drain(): Promise<void> {
    const { clock, links } = this.#stations;
    const leavingUs = DRAIN_DATAGRAMS * links[0]!.airtimeUs(this.#settings.datagramBytes);
    const until = () => this.#isQuiet;
    await clock.run({ until, untilUs: clock.nowUs() + leavingUs });
    await clock.run({ untilUs: clock.nowUs() + arrivalUsMax(this.#settings) });
    await clock.run({ until, untilUs: clock.nowUs() + leavingUs });
  }

  /** Whether no datagram waits for the air or is on it. */
  get #isQuiet(): boolean {
    const { links, medium } = this.#stations;
    let told = 0;
    for (const { statistics } of links) {
      for (const count of Object.values(statistics.outcomes)) told += count;
    }
    return medium.statistics.offered.datagrams === told;
  }

  get #share(): number {
    const bytes = Math.max(1, this.#blob.length) * this.errands.length;
    const done = this.errands.reduce((sum, { acknowledgedBytes }) => sum + acknowledgedBytes, 0);
    return Math.min(1, done / bytes);
  }

  #plan(): void {
    const { boards, load } = this.#settings;
    const { clock, endpoints, random } = this.#stations;
    for (const [station, endpoint] of endpoints.entries()) {
      endpoint.onMessage((message) => this.#receive(station, message));
    }
    const everyUs = Math.round(load.commandEveryS * 1e6);
    for (let board = 1; board <= boards; board++) {
      this.#sendBlob(board);
      // Not all boards at the same moment.
      const firstUs = Math.round(everyUs * (0.5 + 0.5 * random.uniform()));
      if (everyUs > 0) clock.setTimer(firstUs, () => this.#sendCommand(board, firstUs, everyUs));
    }
  }

  #sendBlob(board: number): void {
    const { clock, endpoints } = this.#stations;
    const isPush = this.#settings.load.direction === "push";
    const [from, to] = isPush ? [0, board] : [board, 0];
    const handedOverUs = clock.nowUs();
    const errand: Errand = {
      board,
      from,
      to,
      handedOverUs,
      deliveredUs: Number.NaN,
      endedUs: Number.NaN,
      acknowledgedBytes: 0,
      outcome: "under way",
    };
    this.errands.push(errand);
    this.#pending++;
    endpoints[from]!.peer(stationAddress(to))
      .send(this.#blob, {
        priority: "bulk",
        channel: 0,
        deadlineMs: DEADLINE_MS,
        onProgress: ({ acknowledgedBytes }) => {
          errand.acknowledgedBytes = acknowledgedBytes;
        },
      })
      .then(
        () => this.#end(errand, "delivered"),
        (error: unknown) => this.#end(errand, codeOf(error)),
      );
    clock.wakeWaiters();
  }

  #sendCommand(board: number, atUs: number, everyUs: number): void {
    if (this.#isOver || this.#isFinished) return;
    const { clock, endpoints } = this.#stations;
    const command: Command = { board, sentUs: clock.nowUs(), deliveredUs: Number.NaN };
    this.commands.push(command);
    this.#watcher?.commandSent(command);
    endpoints[0]!
      .peer(stationAddress(board))
      .send(commandBody(this.commands.length - 1), { priority: "urgent" })
      // One that fails never arrives: that is told by its absence.
      .catch(() => {});
    clock.wakeWaiters();
    const nextUs = atUs + everyUs;
    clock.setTimer(nextUs, () => this.#sendCommand(board, nextUs, everyUs));
  }

  #end(errand: Errand, outcome: string): void {
    if (this.#isFinished) return;
    errand.endedUs = this.#stations.clock.nowUs();
    errand.outcome = outcome;
    if (outcome === "delivered") errand.acknowledgedBytes = this.#blob.length;
    this.#pending--;
    this.#watcher?.ended(errand);
  }

  #receive(station: number, { peer, channel, bytes }: Message): void {
    if (this.#isFinished) return;
    const nowUs = this.#stations.clock.nowUs();
    const from = stationOf(peer.address);
    if (channel !== 0) {
      const command = this.commands[commandNumber(bytes)];
      if (command === undefined) return;
      command.deliveredUs = nowUs;
      this.#watcher?.commandDelivered(command);
      return;
    }
    const errand = this.errands.find((each) => each.from === from && each.to === station);
    if (errand === undefined) return;
    errand.deliveredUs = nowUs;
    this.#watcher?.delivered(errand);
  }
}

/** Message bytes of what has arrived. */
export function deliveredBytes(run: LabRun, blobBytes: number): number {
  const blobs = run.errands.filter(({ deliveredUs }) => !Number.isNaN(deliveredUs)).length;
  const commands = run.commands.filter(({ deliveredUs }) => !Number.isNaN(deliveredUs)).length;
  return blobs * blobBytes + commands * COMMAND_BYTES;
}

function codeOf(error: unknown): string {
  return error instanceof FardelError ? error.code : String(error);
}
