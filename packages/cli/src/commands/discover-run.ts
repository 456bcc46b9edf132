import { Endpoint } from "@fardel/core";
import { type DiscoverOptions, type Discovery, discover, type Found } from "@fardel/pairing";
import { pause } from "../abort.js";
import type { Context, Output } from "../context.js";
import { counted } from "../format.js";
import { printable, writeJson } from "../output.js";
import type { PairingLink } from "../paired/paired-boards.js";
import { EXIT } from "../problem.js";
import { BOARDS_SHOWN_MAX, BoardList, boardLine, boardObject, boardTable } from "./board-list.js";
import { Screen } from "./monitor-screen.js";

/** What to look for, and how long. Times in microseconds. */
export interface SearchSettings {
  readonly filter: Pick<DiscoverOptions, "kind" | "namePrefix" | "pairingOnly">;
  /** Where to look; left out: the link stays where it is. */
  readonly channelPlan?: Pick<DiscoverOptions, "channels" | "setChannel" | "homeChannel">;
  /** End when nobody new answers any more. */
  readonly once: boolean;
  readonly forUs?: number;
  /** `table`: on a terminal drawn in place, else lines. */
  readonly form: "table" | "json";
}

/** So often everybody is asked again: who is switched off, or comes, shows within this time. */
const ROUND_US = 10_000_000;
/** The longest that one search may take that ends by itself: a thousand boards, on many channels. */
const ONCE_US = 600_000_000;
const REDRAW_US = 500_000;
/** Boards in pairing mode announce themselves more than twice a second: whoever is silent for so long has left it. */
const PAIRING_SILENT_US = 10_000_000;
const ROWS_DEFAULT = 24;
/** Boards that are remembered as told. When full: the first one may be told again. */
const TOLD_MAX = 4096;

/** Looks for boards, again and again, and shows who is there. */
export class Search {
  readonly #open: PairingLink;
  readonly #settings: SearchSettings;
  readonly #context: Context;
  readonly #output: Output;
  readonly #boards: BoardList;
  readonly #told = new Set<string>();
  readonly #screen: Screen | undefined;
  readonly #startUs: number;
  /** Ctrl-C, or the link has failed for good. */
  readonly #end: AbortSignal;

  constructor(open: PairingLink, settings: SearchSettings, context: Context) {
    this.#open = open;
    this.#settings = settings;
    this.#context = context;
    this.#output = context.output;
    this.#boards = new BoardList(open);
    this.#startUs = context.clock.nowUs();
    this.#end = open.failed ? AbortSignal.any([context.signal, open.failed]) : context.signal;
    const isTerminal = this.#output.isOutTerminal ?? this.#output.isTerminal;
    this.#screen = isTerminal && settings.form === "table" ? new Screen() : undefined;
  }

  /** Resolves when the search is over, or at Ctrl-C. Closes the link. */
  async run(): Promise<void> {
    const { clock, signal } = this.#context;
    const { link, describe, endpointOptions, failed } = this.#open;
    if (!this.#screen && this.#settings.form === "table")
      this.#output.err(`Looking for boards: ${printable(describe)}\n`);
    // Nothing is taken here: whoever sends a message learns that, and does not believe it safe.
    const accept = () => "refuse" as const;
    const endpoint = await Endpoint.open({ link, clock, accept, ...endpointOptions });
    try {
      await this.#searchRounds(endpoint);
    } finally {
      await endpoint.close();
    }
    this.#finish();
    if (failed?.aborted) throw failed.reason;
    if (signal.aborted) this.#context.exitWith(EXIT.interrupted);
  }

  async #searchRounds(endpoint: Endpoint): Promise<void> {
    const { once } = this.#settings;
    do {
      const leftUs = this.#leftUs();
      if (leftUs <= 0) return;
      const discovery = discover(endpoint, this.#roundOptions(leftUs));
      const over = new AbortController();
      const shown = this.#showMeanwhile(discovery, over.signal);
      try {
        this.#note(await discovery.all());
      } finally {
        over.abort();
        await shown;
      }
    } while (!once && !this.#end.aborted);
  }

  #roundOptions(leftUs: number): DiscoverOptions {
    const { clock } = this.#context;
    const { filter, channelPlan, once } = this.#settings;
    // With channels each is left when nobody new answers there, else the last ones would wait for long.
    const mode = once || channelPlan ? "ask" : "ask-and-listen";
    const roundUs = once || channelPlan ? ONCE_US : ROUND_US;
    const onFound = (found: Found) => this.#note([found]);
    return {
      ...filter,
      ...channelPlan,
      mode,
      durationUs: Math.min(roundUs, leftUs),
      // Where more answer than are remembered, those that gave way are found again, and no search is complete.
      foundMax: BOARDS_SHOWN_MAX,
      clock,
      signal: this.#end,
      onFound,
    };
  }

  #leftUs(): number {
    const { forUs = Number.POSITIVE_INFINITY } = this.#settings;
    return this.#startUs + forUs - this.#context.clock.nowUs();
  }

  /** The clock's own timer wakes it: nothing else tells that time has passed. */
  async #showMeanwhile(discovery: Discovery, signal: AbortSignal): Promise<void> {
    while (!signal.aborted) {
      this.#note(discovery.found());
      this.#draw();
      await pause(this.#context.clock, REDRAW_US, signal);
    }
  }

  #note(found: readonly Found[]): void {
    this.#boards.note(found);
    if (this.#settings.filter.pairingOnly)
      this.#boards.forgetBefore(this.#context.clock.nowUs() - PAIRING_SILENT_US);
    for (const { address } of found) this.#tell(address);
  }

  /** Each board once, when it is found. */
  #tell(address: Uint8Array): void {
    const view = this.#boards.find(address);
    if (!view || this.#told.has(view.addressText)) return;
    this.#told.add(view.addressText);
    const [first] = this.#told;
    if (this.#told.size > TOLD_MAX && first !== undefined) this.#told.delete(first);
    const { form, once } = this.#settings;
    if (form === "json")
      writeJson(this.#output, { type: "found", ...boardObject(view, this.#startUs) });
    // One search has a table at its end.
    else if (!this.#screen && !once) this.#output.out(`${this.#time()}  ${boardLine(view)}\n`);
  }

  #draw(): void {
    if (!this.#screen) return;
    const { columns, rows = ROWS_DEFAULT } = this.#output;
    const boards = this.#boards.sorted();
    const title = `${this.#time()}  ${counted(boards.length, "board")}  ${printable(this.#open.describe)}`;
    const nowUs = this.#context.clock.nowUs();
    const table =
      boards.length > 0 ? boardTable(boards, nowUs, rows - 2) : ["Nobody was heard yet."];
    this.#output.out(this.#screen.draw([title, ...table], columns, rows));
  }

  /** `12.0 s`, so that lines stand below each other. */
  #time(): string {
    const us = this.#context.clock.nowUs() - this.#startUs;
    return `${(us / 1e6).toFixed(1).padStart(7)} s`;
  }

  #finish(): void {
    const { form, once } = this.#settings;
    const boards = this.#boards.sorted();
    if (form === "json") {
      const objects = boards.map((board) => boardObject(board, this.#startUs));
      writeJson(this.#output, { type: "result", boards: objects });
      return;
    }
    if (this.#screen) this.#draw();
    else if (once && boards.length > 0)
      this.#output.out(`${boardTable(boards, this.#context.clock.nowUs()).join("\n")}\n`);
    this.#output.err(`${summary(boards.length)}\n`);
  }
}

function summary(boards: number): string {
  if (boards > 0) return `${counted(boards, "board")} found. fardel pair pairs with one.`;
  return "No board was found. Check that it has power, is in range and on the same radio channel, and that its program announces it.";
}
