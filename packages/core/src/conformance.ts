/**
 * The contract of `Link`, as checks that run against any adapter.
 *
 * @packageDocumentation
 */

import { CLOSING_CHECKS } from "./conformance/closing.js";
import { DELIVERY_CHECKS } from "./conformance/delivery.js";
import { FACTS_CHECKS } from "./conformance/facts.js";
import { SENDING_CHECKS } from "./conformance/sending.js";
import {
  type ConformanceFactory,
  type ConformanceOptions,
  Fault,
  type LinkCheck,
  LinkCheckError,
  type LinkCheckResult,
  LinkConformanceError,
  NotApplicable,
} from "./conformance/setup.js";
import { Stage } from "./conformance/stage.js";
import { invalidOption } from "./protocol/config.js";

export {
  type ConformanceFactory,
  type ConformanceOptions,
  type ConformanceSetup,
  type LinkCheck,
  LinkCheckError,
  type LinkCheckResult,
  LinkConformanceError,
} from "./conformance/setup.js";

type CheckBody = (stage: Stage) => Promise<void> | void;

const CHECKS: Readonly<Record<string, CheckBody>> = {
  ...FACTS_CHECKS,
  ...SENDING_CHECKS,
  ...DELIVERY_CHECKS,
  ...CLOSING_CHECKS,
};

/**
 * All checks one by one, for a test runner to name and run. A check that does not apply passes.
 *
 * ```ts
 * import { linkConformanceChecks } from "@fardel/core/conformance";
 * import { test } from "vitest";
 *
 * for (const check of linkConformanceChecks(() => makeTwoLinks())) test(check.name, check.run);
 * ```
 * @throws {@link FardelError} `invalid-option`
 */
export function linkConformanceChecks(
  factory: ConformanceFactory,
  options: ConformanceOptions = {},
): LinkCheck[] {
  checkOptions(options);
  return Object.entries(CHECKS).map(([name, body]) => ({
    name,
    run: async () => {
      await runCheck(name, body, factory, options);
    },
  }));
}

/**
 * Checks an adapter against everything that `Link` promises, in one call and without a test runner.
 * Each check works on a new setup. Links in virtual time give `advance`:
 *
 * ```ts
 * import { linkConformance } from "@fardel/core/conformance";
 * import { lossyPair } from "@fardel/lossy-link";
 *
 * const results = await linkConformance(() => {
 *   const { a, b, clock } = lossyPair();
 *   return { a, b, advance: (us) => clock.run({ untilUs: clock.nowUs() + us }) };
 * });
 * console.log(`${results.length} checks passed`);
 * ```
 *
 * @returns the result of each check, none of them failed
 * @throws {@link FardelError} `invalid-option`
 * @throws {@link LinkConformanceError} - if any failed; its message says what to change
 */
export async function linkConformance(
  factory: ConformanceFactory,
  options: ConformanceOptions = {},
): Promise<LinkCheckResult[]> {
  checkOptions(options);
  const results: LinkCheckResult[] = [];
  for (const [name, body] of Object.entries(CHECKS)) {
    results.push(await resultOf(name, body, factory, options));
  }
  if (results.some(({ outcome }) => outcome === "failed")) throw new LinkConformanceError(results);
  return results;
}

async function resultOf(
  name: string,
  body: CheckBody,
  factory: ConformanceFactory,
  options: ConformanceOptions,
): Promise<LinkCheckResult> {
  try {
    const reason = await runCheck(name, body, factory, options);
    return reason === undefined
      ? { name, outcome: "passed" }
      : { name, outcome: "not-applicable", reason };
  } catch (error) {
    return { name, outcome: "failed", reason: (error as LinkCheckError).message };
  }
}

function checkOptions({ patienceUs = 1, quietUs = 1, datagrams = 2 }: ConformanceOptions): void {
  for (const [name, value] of Object.entries({ patienceUs, quietUs })) {
    if (!Number.isSafeInteger(value) || value < 1) {
      throw invalidOption(name, `${value} is not a whole number of microseconds of at least 1`);
    }
  }
  if (!Number.isInteger(datagrams) || datagrams < 2 || datagrams > 100_000) {
    throw invalidOption("datagrams", `${datagrams} is not a whole number from 2 to 100000`);
  }
}

/** @returns why the check is not applicable, if it is not */
async function runCheck(
  name: string,
  body: CheckBody,
  factory: ConformanceFactory,
  options: ConformanceOptions,
): Promise<string | undefined> {
  let stage: Stage | undefined;
  let inapplicable: string | undefined;
  try {
    stage = new Stage(await factory(), options);
    await body(stage);
  } catch (error) {
    if (!(error instanceof NotApplicable)) throw checkError(name, error);
    inapplicable = error.message;
  } finally {
    // What the check found matters more than what clearing up after it does.
    await stage?.tearDown().catch(() => undefined);
  }
  return inapplicable;
}

function checkError(name: string, error: unknown): LinkCheckError {
  if (error instanceof Fault) return new LinkCheckError(error.message, name);
  const text = error instanceof Error ? error.message : String(error);
  return new LinkCheckError(
    `The adapter threw "${text}". Report what goes wrong while sending through done, and only throw from open.`,
    name,
    { cause: error },
  );
}
