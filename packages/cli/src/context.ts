import type { Clock } from "@fardel/core";
import type { ExitCode } from "./problem.js";

/** Where a command writes: results to `out`, progress and advice to `err`. */
export interface Output {
  out(text: string): void;
  err(text: string): void;
  /** Whether a person looks at `err`: progress bars only then. */
  readonly isTerminal: boolean;
  /** Width of the terminal, characters. */
  readonly columns: number;
  /** Whether a person looks at `out`: a table that is drawn anew only then. Default `isTerminal`. */
  readonly isOutTerminal?: boolean;
  /** Height of the terminal, lines; left out: not known. */
  readonly rows?: number | undefined;
  /** Resolves when more may be written to `out` without piling up. Left out: at any time. */
  drained?(): Promise<void>;
}

/** All that a command takes from its surroundings, so that tests run it in their own process. */
export interface Context {
  readonly output: Output;
  /** Standard input. */
  readonly input: AsyncIterable<Uint8Array>;
  /** Aborted by Ctrl-C (SIGINT) or SIGTERM. A second one ends the process at once. */
  readonly signal: AbortSignal;
  readonly clock: Clock;
  /** Date and time of day, for names of files and heads of recordings; never for measuring. */
  today(): Date;
  /** Where paired boards are kept unless a command is told otherwise. */
  readonly peersFile: string;
  /** Called by a command that ends well but not with 0. */
  exitWith(code: ExitCode): void;
}
