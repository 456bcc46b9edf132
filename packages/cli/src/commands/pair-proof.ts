import type { Address } from "@fardel/core";
import {
  type ConfirmShortCode,
  claimSecret,
  normalizeClaimCode,
  PairingError,
} from "@fardel/pairing";
import { pause, unlessAborted } from "../abort.js";
import type { Context } from "../context.js";
import { isSameAddress, type PairingLink } from "../paired/paired-boards.js";
import { EXIT, Problem, usageProblem } from "../problem.js";
import type { PairGuide } from "./pair-guide.js";

/** Times that a claim code may be typed in the wrong form. */
const TYPED_MAX = 3;
/** A simulated board shows its six digits within this time, microseconds. */
const SHOWN_WITHIN_US = 2_000_000;

/** What a person does so that both sides can be sure of each other. */
export class PersonProof {
  readonly #open: PairingLink;
  readonly #guide: PairGuide;
  readonly #context: Context;
  readonly #end: AbortSignal;

  /** @param end - aborted at Ctrl-C, or when the link has failed */
  constructor(open: PairingLink, guide: PairGuide, context: Context, end: AbortSignal) {
    this.#open = open;
    this.#guide = guide;
    this.#context = context;
    this.#end = end;
  }

  /**
   * The claim code that was given, normalized; `undefined`: it will be asked for.
   * @param code - `-`: the first line of the input
   */
  async given(code: string | undefined): Promise<string | undefined> {
    if (code === undefined) return undefined;
    const line = code === "-" ? await this.#guide.line(this.#end) : code;
    if (line === undefined) throw noCode();
    return normalizeClaimCode(line);
  }

  /** The secret of the code on the board's label. @param given - the code, if it is known already */
  async claim(board: Address, given: string | undefined): Promise<Uint8Array> {
    const { labels = [] } = this.#open.simulated ?? {};
    const label = labels.find(({ address }) => isSameAddress(address, board));
    if (label) this.#guide.say(`The simulated board's label says ${label.claimCode} (invented).`);
    const code = given ?? (await this.#askForCode());
    // It takes a moment, in slices: Ctrl-C is heard meanwhile.
    return unlessAborted(claimSecret(code), this.#end);
  }

  async #askForCode(): Promise<string> {
    for (let tries = 1; ; tries++) {
      const typed = await this.#guide.ask("Claim code:", this.#end);
      if (typed === undefined) throw noCode();
      try {
        return normalizeClaimCode(typed);
      } catch (error) {
        if (tries === TYPED_MAX || !(error instanceof PairingError)) throw error;
        this.#guide.say(error.message);
      }
    }
  }

  /** Asks whether the board shows the same six digits. Call it before the pairing begins. */
  comparison(): ConfirmShortCode {
    const shown = this.#shownBySimulation();
    return async (shortCode, { signal }) => {
      this.#guide.note({ type: "short-code", shortCode });
      if (shown) await Promise.race([shown, pause(this.#context.clock, SHOWN_WITHIN_US, signal)]);
      const question = `Does the board show the same six digits, ${groupedDigits(shortCode)}?`;
      return this.#guide.confirm(question, signal);
    };
  }

  /** Nobody can look at a simulated board. @returns when it has shown its digits */
  #shownBySimulation(): Promise<void> | undefined {
    const { simulated } = this.#open;
    if (!simulated) return undefined;
    return new Promise((resolve) => {
      simulated.onShortCode((shortCode) => {
        this.#guide.say(simulatedShows(shortCode));
        resolve();
      });
    });
  }

  /** @throws Problem if it is none */
  async makeSureOfCable(): Promise<void> {
    const question = "Is the board at the other end of a cable, with nobody else on it?";
    if (await this.#guide.confirm(question, this.#end)) return;
    const sentence =
      "Nothing was paired: over the air whoever listens would have the key. Choose another way: --way code, or --way compare.";
    throw new Problem(EXIT.failed, "refused-here", sentence);
  }
}

/** Said wherever a board is simulated. */
export function simulatedShows(shortCode: string): string {
  return `The simulated board shows ${groupedDigits(shortCode)}; its person accepts whatever it shows.`;
}

/** Six digits in two groups: easier to compare. */
function groupedDigits(shortCode: string): string {
  return `${shortCode.slice(0, 3)} ${shortCode.slice(3)}`;
}

function noCode(): Problem {
  return usageProblem(
    "The input ended before a claim code came. Type it when asked, or give it: --code CODE.",
    "no-claim-code",
  );
}
