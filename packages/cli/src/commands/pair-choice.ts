import type { Address } from "@fardel/core";
import { chooseNearest, type NearnessDoubt } from "@fardel/pairing";
import { isSameAddress } from "../paired/paired-boards.js";
import { type BoardView, signalText } from "./board-list.js";

/** Which board a person means. All here is pure. */

export type Wanted =
  | { readonly by: "address"; readonly address: Address }
  /** What the board calls itself, or the beginning of it. */
  | { readonly by: "name"; readonly name: string }
  | { readonly by: "nearness" };

/** Why no board is meant yet. Stable: codes of `--json`. */
export type ChoiceDoubt =
  | NearnessDoubt
  | "not-in-pairing-mode"
  | "unknown-board"
  | "ambiguous-name";

/** What is known about the choice. */
export type Verdict =
  | { readonly board: BoardView }
  /** Nobody was heard at the address that was given: only trying tells more. */
  | { readonly unheard: Address }
  | {
      readonly doubt: ChoiceDoubt;
      readonly sentence: string;
      readonly candidates: readonly BoardView[];
      /** No waiting helps. */
      readonly isFinal?: boolean;
    }
  /** Too early to say anything. */
  | "looking";

/** By then everybody in range has most probably answered; PROTOCOL.md, section 15.2. Microseconds. */
export const SETTLED_US = 3_000_000;
/** Boards that a sentence names. */
const NAMED_MAX = 4;

/** The circumstances of a choice. */
export interface ChoiceSetting {
  /** Since the search began, microseconds. */
  readonly sinceUs: number;
  /** Whether only a board in pairing mode will do. */
  readonly needsPairingMode: boolean;
  /** The command that names a board: `fardel pair ADDRESS --link …` with something for the address. */
  readonly commandFor: (addressText: string) => string;
}

/** @param boards - all that are heard now */
export function choose(
  wanted: Wanted,
  boards: readonly BoardView[],
  setting: ChoiceSetting,
): Verdict {
  switch (wanted.by) {
    case "address":
      return byAddress(wanted.address, boards, setting);
    case "name":
      return byName(wanted.name, boards, setting);
    case "nearness":
      return byNearness(boards, setting);
  }
}

function byAddress(
  address: Address,
  boards: readonly BoardView[],
  setting: ChoiceSetting,
): Verdict {
  const board = boards.find((each) => isSameAddress(each.address, address));
  if (board) return ifInPairingMode(board, setting);
  return isSettled(setting) ? { unheard: address } : "looking";
}

function byName(name: string, boards: readonly BoardView[], setting: ChoiceSetting): Verdict {
  if (!isSettled(setting)) return "looking";
  const exact = boards.filter(({ found }) => found.name === name);
  const meant =
    exact.length > 0 ? exact : boards.filter(({ found }) => found.name.startsWith(name));
  const [board] = meant;
  if (!board) {
    const sentence = `Nobody who is called ${JSON.stringify(name)} was heard. Check that it has power, is in range and on the same radio channel; fardel discover shows who is there.`;
    return { doubt: "unknown-board", sentence, candidates: [] };
  }
  if (meant.length === 1) return ifInPairingMode(board, setting);
  const command = setting.commandFor(board.addressText);
  const sentence = `${JSON.stringify(name)} could be ${listed(meant)}. Give the address: ${command}`;
  return { doubt: "ambiguous-name", sentence, candidates: meant, isFinal: true };
}

function ifInPairingMode(board: BoardView, { needsPairingMode }: ChoiceSetting): Verdict {
  if (!needsPairingMode || board.found.announcement.isInPairingMode) return { board };
  const sentence = `${title(board)} is there, but not in pairing mode: press its button, or open pairing mode by its program.`;
  return { doubt: "not-in-pairing-mode", sentence, candidates: [board] };
}

/** @param boards - in pairing mode */
function byNearness(boards: readonly BoardView[], setting: ChoiceSetting): Verdict {
  const nearness = chooseNearest(boards.map(({ found }) => found));
  if ("chosen" in nearness) {
    const board = boards.find(({ address }) => isSameAddress(address, nearness.chosen.address));
    if (board) return { board };
  }
  if (!("ambiguous" in nearness) || !isSettled(setting)) return "looking";
  const candidates = nearness.candidates.flatMap(
    (found) => boards.find(({ address }) => isSameAddress(address, found.address)) ?? [],
  );
  return doubtful(nearness.ambiguous, candidates.length > 0 ? candidates : boards, setting);
}

function doubtful(
  doubt: NearnessDoubt,
  candidates: readonly BoardView[],
  setting: ChoiceSetting,
): Verdict {
  const [first] = candidates;
  if (!first) {
    const sentence =
      "No board in pairing mode was heard yet: press the button of the board, and hold it close.";
    return { doubt: "nobody-heard", sentence, candidates };
  }
  // What the person types or compares then shows that it is the right one.
  if (doubt === "no-signal-strength" && candidates.length === 1) return { board: first };
  const name = `name ${candidates.length === 1 ? "it" : "one"}: ${setting.commandFor(first.addressText)}`;
  switch (doubt) {
    case "too-few-announcements":
    case "nobody-heard": {
      const sentence = `${title(first)} was not heard often enough yet: hold it there a moment longer, or ${name}`;
      return { doubt, sentence, candidates };
    }
    case "too-far": {
      const sentence = `No board is near enough; the strongest is ${listed([first])}. Hold the board closer, or ${name}`;
      return { doubt, sentence, candidates };
    }
    case "about-as-near": {
      const sentence = `Two boards are about as near: ${listed(candidates.slice(0, 2))}. Hold the board closer, or ${name}`;
      return { doubt, sentence, candidates };
    }
    case "no-signal-strength": {
      const sentence = `This link does not tell how strong a board is heard, and several are in pairing mode: ${listed(candidates)}. N${name.slice(1)}`;
      return { doubt, sentence, candidates, isFinal: true };
    }
  }
}

function isSettled({ sinceUs }: ChoiceSetting): boolean {
  return sinceUs >= SETTLED_US;
}

/** `row-1 (02:00:00:00:00:02)` */
export function title({ found, addressText }: BoardView): string {
  return found.name === "" ? addressText : `${found.name} (${addressText})`;
}

/** With their signal strengths, if there are any. */
function listed(boards: readonly BoardView[]): string {
  const names = boards.slice(0, NAMED_MAX).map((board) => {
    const signal = signalText(board);
    return signal === "" ? title(board) : `${title(board)} at ${signal}`;
  });
  const more = boards.length > NAMED_MAX ? `, and ${boards.length - NAMED_MAX} more` : "";
  return `${names.join(", ")}${more}`;
}
