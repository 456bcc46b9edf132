import type { Address, Endpoint } from "@fardel/core";
import { ANNOUNCED_NAME_BYTES_MAX, type DiscoverOptions, discover } from "@fardel/pairing";
import { pause } from "../abort.js";
import type { Context } from "../context.js";
import { duration } from "../format.js";
import type { PairingLink } from "../paired/paired-boards.js";
import { EXIT, interrupted, Problem } from "../problem.js";
import {
  BOARDS_SHOWN_MAX,
  BoardList,
  type BoardView,
  boardLine,
  boardObject,
} from "./board-list.js";
import { choose, type Wanted } from "./pair-choice.js";
import type { PairGuide } from "./pair-guide.js";

/** How a board is looked for. */
export interface BoardSearchSettings {
  readonly wanted: Wanted;
  /** Only boards of this kind. */
  readonly kind?: string;
  /** The longest that it takes, microseconds. */
  readonly timeoutUs: number;
  readonly needsPairingMode: boolean;
  readonly commandFor: (addressText: string) => string;
}

/** The board that was found; without a view it was not heard. */
export interface FoundBoard {
  readonly address: Address;
  readonly view?: BoardView;
}

const LOOK_US = 100_000;
/** Who was not heard for so long is not there any more; as for nearness, PROTOCOL.md, section 15.3. */
const GONE_US = 10_000_000;
/** Boards that are listed one by one, and those of which programs are told: anybody can announce as many as they like. */
const LISTED_MAX = 20;
const NOTED_MAX = BOARDS_SHOWN_MAX;
/** Sentences about what stands in the way. */
const SAID_MAX = 20;

/** Looks for the board that is meant, and tells a person what to do so that it is found. */
export class BoardSearch {
  readonly #settings: BoardSearchSettings;
  readonly #guide: PairGuide;
  readonly #context: Context;
  readonly #boards: BoardList;
  readonly #listed = new Set<string>();
  readonly #said = new Set<string>();
  readonly #startUs: number;

  constructor(
    open: PairingLink,
    settings: BoardSearchSettings,
    guide: PairGuide,
    context: Context,
  ) {
    this.#settings = settings;
    this.#guide = guide;
    this.#context = context;
    this.#boards = new BoardList(open);
    this.#startUs = context.clock.nowUs();
  }

  /**
   * @param end - aborted at Ctrl-C, or when the link has failed
   * @throws Problem with the reason why no board was chosen in time
   */
  async run(endpoint: Endpoint, end: AbortSignal): Promise<FoundBoard> {
    const discovery = discover(endpoint, this.#options());
    let failure: { readonly cause: unknown } | undefined;
    const over = discovery.all().catch((cause: unknown) => {
      failure = { cause };
    });
    try {
      for (;;) {
        if (end.aborted) throw interrupted("Ended by Ctrl-C. Nothing was paired.");
        if (failure) throw failure.cause;
        const nowUs = this.#context.clock.nowUs();
        this.#boards.note(discovery.found());
        this.#boards.forgetBefore(nowUs - GONE_US);
        const board = this.#judge(nowUs - this.#startUs);
        if (board) return board;
        await pause(this.#context.clock, LOOK_US, end);
      }
    } finally {
      discovery.stop();
      await over;
    }
  }

  #options(): DiscoverOptions {
    const { wanted, kind, timeoutUs } = this.#settings;
    return {
      clock: this.#context.clock,
      mode: "ask-and-listen",
      durationUs: timeoutUs,
      pairingOnly: wanted.by === "nearness",
      ...(kind !== undefined && { kind }),
      ...(wanted.by === "name" && { namePrefix: wanted.name }),
    };
  }

  #judge(sinceUs: number): FoundBoard | undefined {
    const { wanted, timeoutUs } = this.#settings;
    const boards = this.#boards.sorted();
    if (wanted.by !== "address") for (const board of boards) this.#list(board);
    const verdict = choose(wanted, boards, { sinceUs, ...this.#settings });
    const isLate = sinceUs >= timeoutUs;
    if (verdict === "looking") {
      if (!isLate) return undefined;
      throw new Problem(
        EXIT.failed,
        "nobody-heard",
        "The time was too short to look. Raise --timeout.",
      );
    }
    if ("board" in verdict) return { address: verdict.board.address, view: verdict.board };
    if ("unheard" in verdict) return { address: verdict.unheard };
    const { doubt, sentence, candidates, isFinal = false } = verdict;
    const addresses = candidates.map(({ addressText }) => addressText);
    if (isFinal || isLate) {
      const late = isFinal ? "" : `No board was chosen within ${duration(timeoutUs)}. `;
      const details = { candidates: addresses };
      throw new Problem(EXIT.failed, doubt, `${late}${sentence}`, { details });
    }
    // Signal strengths go up and down: each doubt is told once, not each time that it comes back.
    const key = `${doubt} ${addresses.slice(0, 2).join(" ")}`;
    if (!this.#said.has(key) && this.#said.size < SAID_MAX) {
      this.#said.add(key);
      this.#guide.note({ type: "doubt", why: doubt, candidates: addresses, sentence });
      this.#guide.say(sentence);
    }
    return undefined;
  }

  #list(board: BoardView): void {
    if (this.#listed.has(board.addressText) || this.#listed.size >= NOTED_MAX) return;
    this.#listed.add(board.addressText);
    this.#guide.note({ type: "found", ...boardObject(board, this.#startUs) });
    if (this.#listed.size <= LISTED_MAX) this.#guide.say(`  ${boardLine(board)}`);
    else if (this.#listed.size === LISTED_MAX + 1) this.#guide.say("  … and more");
  }
}

/**
 * What a person has written for the board.
 * @throws Problem, or the link's own error, if it can be neither an address nor a name
 */
export async function wantedBoard(text: string | undefined, open: PairingLink): Promise<Wanted> {
  if (text === undefined) return { by: "nearness" };
  const known = open.paired.peers.find(({ name }) => name === text);
  if (known) return { by: "address", address: known.address };
  try {
    return { by: "address", address: await open.parseBareAddress(text) };
  } catch (error) {
    const isName = text !== "" && new TextEncoder().encode(text).length <= ANNOUNCED_NAME_BYTES_MAX;
    // What has a colon was meant as an address. Where nobody can be asked for a name, only an address will do.
    if (!isName || text.includes(":") || !open.link.broadcastAddress) throw error;
    return { by: "name", name: text };
  }
}
