import type { Address } from "@fardel/core";
import type { Found } from "@fardel/pairing";
import { counted } from "../format.js";
import { printable } from "../output.js";
import { type PairingLink, peerAt } from "../paired/paired-boards.js";
import { type Column, tableLines } from "../render.js";

/** Boards that are shown at most: of more, the one heard longest ago gives way. */
export const BOARDS_SHOWN_MAX = 4096;

/** A board that was heard, with what the store knows about it. */
export interface BoardView {
  readonly address: Address;
  /** As the link writes it. */
  readonly addressText: string;
  readonly found: Found;
  /** Median of its last signal strengths, dBm; left out: the link tells none. */
  readonly rssiDbm?: number;
  /** Its name in the store, and whether it has a key there. */
  readonly known?: { readonly name: string; readonly state: "paired" | "revoked" | "no key" };
}

/** Boards that one search after the other has found. */
export class BoardList {
  readonly #open: PairingLink;
  /** The one heard longest ago first. */
  readonly #boards = new Map<string, BoardView>();

  constructor(open: PairingLink) {
    this.#open = open;
  }

  get size(): number {
    return this.#boards.size;
  }

  /** Takes what a search knows now. A signal strength that has grown too old is shown on, beside its age. */
  note(found: readonly Found[]): void {
    for (const each of found) {
      const text = this.#open.formatAddress(each.address);
      const before = this.#boards.get(text);
      if (before && before.found.heardUs > each.heardUs) continue;
      this.#boards.delete(text);
      this.#boards.set(text, this.#viewOf(each, text, before));
    }
    for (const [text] of this.#boards) {
      if (this.#boards.size <= BOARDS_SHOWN_MAX) break;
      this.#boards.delete(text);
    }
  }

  /** Forgets whoever was not heard since this instant. */
  forgetBefore(us: number): void {
    for (const [text, { found }] of this.#boards) {
      if (found.heardUs < us) this.#boards.delete(text);
    }
  }

  find(address: Address): BoardView | undefined {
    return this.#boards.get(this.#open.formatAddress(address));
  }

  /** The strongest first; those without signal strength last, by name. */
  sorted(): BoardView[] {
    const none = Number.NEGATIVE_INFINITY;
    return [...this.#boards.values()].sort(
      (one, other) =>
        (other.rssiDbm ?? none) - (one.rssiDbm ?? none) ||
        compareText(one.found.name, other.found.name) ||
        compareText(one.addressText, other.addressText),
    );
  }

  #viewOf(found: Found, addressText: string, before: BoardView | undefined): BoardView {
    const { address } = found;
    const rssiDbm = found.rssiDbm ?? before?.rssiDbm;
    const peer = peerAt(this.#open.paired.peers, address);
    const state =
      peer?.revokedMs !== undefined ? "revoked" : peer?.keys.length ? "paired" : "no key";
    return {
      address,
      addressText,
      found,
      ...(rssiDbm !== undefined && { rssiDbm }),
      ...(peer && { known: { name: peer.name, state } }),
    };
  }
}

/** The same order on every machine. Two infinities that are equal have no difference. */
function compareText(one: string, other: string): number {
  return one === other ? 0 : one < other ? -1 : 1;
}

interface BoardColumn extends Column {
  readonly cell: (view: BoardView, nowUs: number) => string;
}

/** What is looked for first stands first: a terminal may be too narrow for all. */
const COLUMNS: readonly BoardColumn[] = [
  { title: "Signal", align: "right", cell: signalText },
  { title: "Heard", align: "right", cell: ageText },
  { title: "Name", cell: ({ found }) => found.name },
  { title: "Kind", cell: ({ found }) => found.kind },
  { title: "Address", cell: ({ addressText }) => addressText },
  { title: "Pairing", cell: pairingText },
  { title: "Known as", cell: knownText },
  { title: "Channel", align: "right", cell: ({ found }) => String(found.channel ?? "") },
  { title: "Takes", cell: takesText },
];

/** `0.4 s`: how long ago it was heard last. */
function ageText({ found }: BoardView, nowUs: number): string {
  return `${(Math.max(0, nowUs - found.heardUs) / 1e6).toFixed(1)} s`;
}

/** `-61 dBm`, or nothing. */
export function signalText({ rssiDbm }: BoardView): string {
  return rssiDbm === undefined ? "" : `${Math.round(rssiDbm)} dBm`;
}

function pairingText({ found }: BoardView): string {
  const { isInPairingMode, ways } = found.announcement;
  return isInPairingMode ? ways.join(", ") || "open" : "";
}

/** Which sessions it takes; what it announces is a claim. */
function takesText({ found }: BoardView): string {
  const { takesPlainSessions, takesProtectedSessions } = found.announcement;
  if (takesProtectedSessions) return takesPlainSessions ? "protected, plain" : "protected";
  return takesPlainSessions ? "plain" : "nothing";
}

function knownText({ known }: BoardView): string {
  return known ? `${known.name} (${known.state})` : "";
}

/**
 * A table, the strongest board first, at most `rowsMax` lines high; what does not fit is counted in the last.
 * @param nowUs - by the clock of the search
 */
export function boardTable(
  boards: readonly BoardView[],
  nowUs: number,
  rowsMax = Number.POSITIVE_INFINITY,
): string[] {
  const space = Math.max(1, rowsMax - 1);
  const shown = boards.length > space ? boards.slice(0, space - 1) : boards;
  const rows = shown.map((view) => COLUMNS.map(({ cell }) => cell(view, nowUs)));
  const lines = tableLines(COLUMNS, rows);
  const hidden = boards.length - shown.length;
  if (hidden > 0) lines.push(`… and ${counted(hidden, "more board")}`);
  return lines.slice(0, Math.max(1, rowsMax));
}

/** One line about a board: for a log. */
export function boardLine(view: BoardView): string {
  const { found, addressText, known } = view;
  const ways = pairingText(view);
  const parts = [
    found.name === "" ? "without name" : found.name,
    found.kind,
    addressText,
    signalText(view),
    found.channel === undefined ? "" : `channel ${found.channel}`,
    ways === "" ? "" : `in pairing mode (${ways})`,
    `takes ${takesText(view)}`,
    known ? `known as ${known.name} (${known.state})` : "",
  ];
  return printable(parts.filter((part) => part !== "").join("  "));
}

/**
 * What `--json` tells of a board.
 * @param startUs - when the search began
 */
export function boardObject({ addressText, found, rssiDbm, known }: BoardView, startUs: number) {
  const { announcement, channel, heardUs } = found;
  const { isInPairingMode, ways, mtuBytes, window, messageBytesMax } = announcement;
  return {
    address: addressText,
    name: found.name,
    kind: found.kind,
    ...(rssiDbm !== undefined && { rssiDbm }),
    rssiSamples: found.rssiSamplesDbm.length,
    ...(channel !== undefined && { radioChannel: channel }),
    isInPairingMode,
    ways,
    takesPlain: announcement.takesPlainSessions,
    takesProtected: announcement.takesProtectedSessions,
    mtuBytes,
    window,
    ...(messageBytesMax > 0 && { messageBytesMax }),
    ...(known && { knownAs: known.name, isPaired: known.state === "paired" }),
    ...(known?.state === "revoked" && { isRevoked: true }),
    heardAtUs: heardUs - startUs,
  };
}
