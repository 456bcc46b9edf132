import type { Address, Link } from "../link.js";

/**
 * What a check works on: two or three adapters, not opened yet, on one medium that neither loses,
 * repeats, reorders nor damages anything.
 */
export interface ConformanceSetup {
  readonly a: Link;
  readonly b: Link;
  /** A third station that hears both; some checks say more with it, none needs it. */
  readonly c?: Link;
  /** Under which address each is reached; default: its own `localAddress`. */
  readonly addressA?: Address;
  readonly addressB?: Address;
  readonly addressC?: Address;
  /** An address that no station has; default: that of `b` with its last byte changed. */
  readonly nobody?: Address;
  /**
   * Let this much time pass, microseconds, and everything that happens in it. For a link in virtual
   * time: run its clock. Default: wait in real time.
   */
  advance?(durationUs: number): unknown;
  /** Take the link of `a` down (pull the cable, radio off). Left out: the check is not applicable. */
  takeDownA?(): unknown;
  /** Undo `takeDownA`. */
  bringUpA?(): unknown;
  /** Called after each check, when the links are closed. */
  tearDown?(): unknown;
}

/** Makes a new setup for each check. */
export type ConformanceFactory = () => ConformanceSetup | Promise<ConformanceSetup>;

/** How patient and how thorough the checks are. */
export interface ConformanceOptions {
  /** Time without any progress after which something is held not to happen, µs; default 2 s. */
  readonly patienceUs?: number;
  /** Time for which to watch that nothing happens, µs; default 50 ms. */
  readonly quietUs?: number;
  /** Datagrams of the check that sends many, 2 to 100000; default 1000. */
  readonly datagrams?: number;
}

/** One promise of the link contract, to be run by any test runner. */
export interface LinkCheck {
  /** What is promised, in a few words. Unique. */
  readonly name: string;
  /**
   * Makes a setup, checks it, takes it down. Does nothing where the link does not offer what is
   * checked (broadcast, airtime).
   * @throws {@link LinkCheckError} - what to change in the adapter
   */
  run(): Promise<void>;
}

/** What became of one check. */
export interface LinkCheckResult {
  readonly name: string;
  readonly outcome: "passed" | "not-applicable" | "failed";
  /** What to change in the adapter, or why it was not applicable. */
  readonly reason?: string;
}

/** An adapter does not hold to one promise; the sentence says what to change. */
export class LinkCheckError extends Error {
  override readonly name = "LinkCheckError";
  readonly code = "link-check-failed";

  constructor(
    sentence: string,
    /** Name of the check. */
    readonly check: string,
    options?: { readonly cause: unknown },
  ) {
    super(sentence, options);
  }
}

/** An adapter does not hold to the contract; `results` has all checks. */
export class LinkConformanceError extends Error {
  override readonly name = "LinkConformanceError";
  readonly code = "link-not-conformant";

  constructor(readonly results: readonly LinkCheckResult[]) {
    const failed = results.filter(({ outcome }) => outcome === "failed");
    const list = failed.map(({ name, reason }) => `\n- ${name}: ${reason}`).join("");
    super(`${failed.length} of ${results.length} checks of the link contract failed:${list}`);
  }
}

/** A check found the adapter at fault. Turned into a {@link LinkCheckError} with the check's name. */
export class Fault extends Error {}

/** The link does not offer what the check is about. */
export class NotApplicable extends Error {}
