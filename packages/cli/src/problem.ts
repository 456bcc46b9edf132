/** Exit codes, the same for every command; README.md has the table. */
export const EXIT = {
  done: 0,
  /** The link worked, the work did not: not delivered, refused, a run failed, figures differ. */
  failed: 1,
  /** The command line or a file it names cannot be understood. */
  usage: 2,
  /** The link, port or address cannot be opened or found. */
  link: 3,
  /** Ended by Ctrl-C. */
  interrupted: 130,
} as const;

export type ExitCode = (typeof EXIT)[keyof typeof EXIT];

/** What went wrong, in a sentence that says what to do next; `main` prints it and exits. */
export class Problem extends Error {
  override readonly name = "Problem";

  constructor(
    readonly exitCode: ExitCode,
    /** Stable, for scripts: what `--json` prints as `error.code`. */
    readonly code: string,
    sentence: string,
    options?: { readonly cause?: unknown; readonly details?: Readonly<Record<string, unknown>> },
  ) {
    super(sentence, options?.cause === undefined ? undefined : { cause: options.cause });
    this.details = options?.details ?? {};
  }

  /** Further fields of `error` in the output of `--json`. */
  readonly details: Readonly<Record<string, unknown>>;
}

/** The command line cannot be understood. */
export function usageProblem(sentence: string, code = "usage"): Problem {
  return new Problem(EXIT.usage, code, sentence);
}

/** The command was ended by Ctrl-C before it had anything to tell. */
export function interrupted(sentence = "Ended by Ctrl-C."): Problem {
  return new Problem(EXIT.interrupted, "interrupted", sentence);
}
