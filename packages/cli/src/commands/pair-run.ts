import { type Address, Endpoint } from "@fardel/core";
import {
  MemoryPeerStore,
  type PairedPeer,
  PairingError,
  type PairingWay,
  type PairOptions,
  pair,
} from "@fardel/pairing";
import { pause } from "../abort.js";
import type { Context } from "../context.js";
import { isSameAddress, type PairingLink, peerAt } from "../paired/paired-boards.js";
import { EXIT, interrupted, Problem } from "../problem.js";
import { title } from "./pair-choice.js";
import type { PairGuide } from "./pair-guide.js";
import { PersonProof } from "./pair-proof.js";
import { keepFacts, quoted, resultObject, resultText, UNCONFIRMED } from "./pair-result.js";
import { BoardSearch, type FoundBoard, wantedBoard } from "./pair-search.js";

/** What to pair with, and how. */
export interface PairSettings {
  /** Name or address; left out: the nearest one. */
  readonly board?: string;
  /** Left out: what the board takes. */
  readonly way?: PairingWay;
  /** The claim code; `-`: the first line of the input. */
  readonly code?: string;
  /** How it is to be called in the store. */
  readonly as?: string;
  readonly kind?: string;
  readonly timeoutUs: number;
  /** The person has said that the link is a cable. */
  readonly isCableSure: boolean;
  /** The store, as a person would name it. */
  readonly storePath: string;
  /** The text of `--link`. */
  readonly linkText: string;
}

/** What this side calls itself. */
const OWN_NAME = "gateway";
/** What was said last has left by then, also to say that this side gives up. */
const GOODBYE_US = 100_000;

/** A pairing, step by step, with a person. */
export class PairRun {
  readonly #open: PairingLink;
  readonly #settings: PairSettings;
  readonly #guide: PairGuide;
  readonly #context: Context;
  readonly #proof: PersonProof;
  /** Ctrl-C, or the link has failed for good. */
  readonly #end: AbortSignal;

  constructor(open: PairingLink, settings: PairSettings, guide: PairGuide, context: Context) {
    this.#open = open;
    this.#settings = settings;
    this.#guide = guide;
    this.#context = context;
    this.#end = open.failed ? AbortSignal.any([context.signal, open.failed]) : context.signal;
    this.#proof = new PersonProof(open, guide, context, this.#end);
  }

  async run(): Promise<void> {
    const { link, endpointOptions, failed } = this.#open;
    const { clock, signal } = this.#context;
    // Nothing is taken here: whoever sends a message learns that, and does not believe it safe.
    const accept = () => "refuse" as const;
    const endpoint = await Endpoint.open({ link, clock, accept, ...endpointOptions });
    try {
      await this.#guidePerson(endpoint);
    } catch (error) {
      if (failed?.aborted) throw failed.reason;
      // Whoever was asked to pair is to hear that nothing comes of it.
      await pause(clock, GOODBYE_US);
      if (signal.aborted && isGivenUp(error))
        throw interrupted("Ended by Ctrl-C. Nothing was paired, no key came of it.");
      throw error;
    } finally {
      await endpoint.close();
    }
  }

  async #guidePerson(endpoint: Endpoint): Promise<void> {
    const given = await this.#proof.given(this.#settings.code);
    const board = await this.#findBoard(endpoint);
    const way = this.#wayFor(board);
    await this.#tellBefore(board, way);
    const options = await this.#optionsFor(board, way, given);
    const paired = await pair(endpoint, board.address, options);
    if (!paired.isConfirmed) this.#guide.say(UNCONFIRMED);
    const { as, storePath, linkText } = this.#settings;
    const peer = await keepFacts(board, as, this.#open);
    const addressText = this.#open.formatAddress(board.address);
    this.#guide.note(resultObject(peer, addressText, way, paired));
    if (this.#guide.isJson) return;
    this.#context.output.out(resultText(peer, addressText, storePath, linkText));
  }

  async #findBoard(endpoint: Endpoint): Promise<FoundBoard> {
    const { board, kind, timeoutUs, way } = this.#settings;
    const wanted = await wantedBoard(board, this.#open);
    if (!this.#open.link.broadcastAddress && wanted.by === "address")
      return { address: wanted.address };
    const needsPairingMode = way !== "renew";
    this.#guide.say(
      `Looking for ${board ?? "boards in pairing mode"}: ${this.#open.describe}. Ctrl-C ends it; nothing has changed then.`,
    );
    if (needsPairingMode)
      this.#guide.say("Press the button of the board, or open pairing mode by its program.");
    const settings = {
      wanted,
      timeoutUs,
      needsPairingMode,
      ...(kind !== undefined && { kind }),
      commandFor: (address: string) =>
        `fardel pair ${address} --link ${quoted(this.#settings.linkText)}`,
    };
    return new BoardSearch(this.#open, settings, this.#guide, this.#context).run(
      endpoint,
      this.#end,
    );
  }

  #nameOf({ address, view }: FoundBoard): string {
    return view ? title(view) : this.#open.nameOf(address);
  }

  #wayFor(board: FoundBoard): PairingWay {
    const { way, code } = this.#settings;
    const { isInPairingMode = false, ways = [] } = board.view?.found.announcement ?? {};
    const wanted = way ?? (code === undefined ? undefined : "code");
    const chosen = wanted ?? (["code", "compare"] as const).find((each) => ways.includes(each));
    const isOpen = chosen === "renew" || (chosen !== undefined && ways.includes(chosen));
    if (!isInPairingMode || isOpen) return chosen ?? "code";
    const sentence =
      chosen === undefined
        ? `${this.#nameOf(board)} can be paired with only by ${ways.join(", ") || "nothing"}. If that is what you want, say so: --way cable.`
        : `${this.#nameOf(board)} does not take ${chosen} now, only ${ways.join(", ") || "nothing"}. Choose one of these: --way ${ways[0] ?? "code"}.`;
    throw new Problem(EXIT.failed, "way-not-open", sentence);
  }

  async #tellBefore(board: FoundBoard, way: PairingWay): Promise<void> {
    const { as } = this.#settings;
    const { paired, formatAddress } = this.#open;
    const known = peerAt(paired.peers, board.address);
    if (as !== undefined) checkFree(as, board.address, paired.peers);
    this.#guide.note({ type: "chosen", address: formatAddress(board.address), way });
    this.#guide.say(`Pairing with ${this.#nameOf(board)}. ${WAY_SENTENCES[way]}`);
    if (known?.revokedMs !== undefined)
      this.#guide.say(`It was revoked as ${known.name}: pairing trusts it again.`);
    else if (known && known.keys.length > 0)
      this.#guide.say(
        `It is paired already, as ${known.name}: the new key takes the place of the old one.`,
      );
    if (way === "cable" && !this.#settings.isCableSure) await this.#proof.makeSureOfCable();
  }

  async #optionsFor(
    board: FoundBoard,
    way: PairingWay,
    given: string | undefined,
  ): Promise<PairOptions> {
    const { ring } = this.#open.paired;
    const { clock } = this.#context;
    const claim = way === "code" && { claim: await this.#proof.claim(board.address, given) };
    const confirm = way === "compare" && { confirm: this.#proof.comparison() };
    return {
      way,
      ring,
      name: OWN_NAME,
      clock,
      signal: this.#end,
      onStep: (step) => this.#guide.step(step),
      ...claim,
      ...confirm,
    };
  }
}

const WAY_SENTENCES: Readonly<Record<PairingWay, string>> = {
  code: "Its claim code is printed on the board.",
  compare: "Both sides will show six digits; compare them, and accept on both.",
  cable: "In this way the key goes over the link in plain: only for a cable, never over the air.",
  renew: "It gets another key, by the one that both sides have.",
};

/** Now, so that nothing is paired that cannot be named then. @throws StoreError */
function checkFree(name: string, address: Address, peers: readonly PairedPeer[]): void {
  const others = peers.filter((peer) => !isSameAddress(peer.address, address));
  const named = { address, name, keys: [], usedIndex: 0, firstSeenMs: 0, lastSeenMs: 0 };
  new MemoryPeerStore([...others, named]);
}

/** What comes of Ctrl-C, wherever it was. */
function isGivenUp(error: unknown): boolean {
  if (error instanceof PairingError)
    return error.code === "aborted" || error.code === "refused-here";
  if (error instanceof Problem) return error.exitCode === EXIT.interrupted;
  return error instanceof Error && error.name === "AbortError";
}
