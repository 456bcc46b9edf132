import { spawnSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../system-commands.js";

const SLOW_MS = 5 * 60_000;
const folder = mkdtempSync(join(tmpdir(), "fardel-model-"));

function run(command: string, args: readonly string[]): string {
  const result = spawnSync(command, args, { cwd: folder, encoding: "utf8", maxBuffer: 2 ** 26 });
  if (result.error || result.status !== 0) {
    throw new Error(
      `${command} ${args.join(" ")}: ${result.error ?? result.stdout + result.stderr}`,
    );
  }
  return result.stdout;
}

/** Checks a model within bounds. @returns what the checker printed */
function check(
  model: "session" | "claims" | "window",
  bounds: Readonly<Record<string, number>>,
  mode: "safety" | "delivery" = "safety",
): string {
  const source = fileURLToPath(new URL(`${model}.pml`, import.meta.url));
  const defines = Object.entries(bounds).map(([name, value]) => `-D${name}=${value}`);
  run("spin", [...defines, "-a", source]);
  const claim = mode === "safety" ? ["-DNOCLAIM"] : [];
  run("gcc", ["-O2", "-w", "-DCOLLAPSE", "-DVECTORSZ=2048", ...claim, "-o", "pan", "pan.c"]);
  return run(join(folder, "pan"), ["-m5000000", ...(mode === "safety" ? [] : ["-a", "-f"])]);
}

/** The search was complete and found nothing. */
function expectHeld(output: string): void {
  expect(output).toMatch(/errors: 0\b/);
  expect(output).not.toMatch(/max search depth too small|Search not completed/);
}

const isLeftOut = lacksCommands("spin", "gcc");

afterAll(() => rmSync(folder, { recursive: true, force: true }));

describe.skipIf(isLeftOut)("the model of sessions", () => {
  const bounds = { LOSSES: 1, COPIES: 1, RESTARTS_A: 1, RESTARTS_B: 1 };
  const reordered = { ...bounds, REORDERS: 2, CLOSES: 0 };
  const closed = { ...bounds, REORDERS: 1, CLOSES: 1 };

  it(
    "never delivers twice, never splices, never stops",
    () => {
      expectHeld(check("session", reordered));
      expectHeld(check("session", closed));
    },
    SLOW_MS,
  );

  it(
    "delivers in the end",
    () => {
      expectHeld(check("session", { ...reordered, REORDERS: 1 }, "delivery"));
    },
    SLOW_MS,
  );

  it.each([
    ["NO_TOKENS", reordered, "bFirst==truth"],
    ["NO_MEMORY", closed, "smallIn[truth]!=(bootB+1)"],
    ["NO_CANDIDATE", { ...closed, REORDERS: 2 }, "smallIn[truth]!=(bootB+1)"],
  ] as const)(
    "catches the wrong variant %s",
    (variant, within, assertion) => {
      const output = check("session", { ...within, [variant]: 1 });
      expect(output).toContain(`assertion violated (${assertion})`);
    },
    SLOW_MS,
  );
});

describe.skipIf(isLeftOut)("the model of claims", () => {
  const both = { STALE: 1, AGAIN: 0 };
  const one = { ONE_SIDED: 1 };

  it(
    "never delivers twice; and where one side opens, loses no session to what somebody else sends",
    () => {
      expectHeld(check("claims", one));
      expectHeld(check("claims", both));
    },
    SLOW_MS,
  );

  it(
    "delivers or reports in the end",
    () => {
      expectHeld(check("claims", { ...one, PATIENT: 1 }, "delivery"));
      expectHeld(check("claims", { ...both, PATIENT: 1 }, "delivery"));
    },
    SLOW_MS,
  );

  it.each([
    ["BOTH", {}, " !(delivered[((from*2)+me)])"],
    ["NO_MEMORY", {}, " !(delivered[((from*2)+me)])"],
    ["ANY_NUMBER", one, "side[me].isAcked"],
  ] as const)(
    "catches the wrong variant %s",
    (variant, within, assertion) => {
      const output = check("claims", { ...within, [variant]: 1 });
      expect(output).toContain(`assertion violated ${assertion}`);
    },
    SLOW_MS,
  );
});

describe.skipIf(isLeftOut)("the model of a window", () => {
  const bounds = { LOSSES: 1, COPIES: 1, REORDERS: 1, EAGER: 1, GIVE_UPS: 1 };

  it(
    "never mistakes a number, delivers once and in order, never stops",
    () => {
      expectHeld(check("window", bounds));
    },
    SLOW_MS,
  );

  it(
    "comes to the end",
    () => {
      expectHeld(check("window", bounds, "delivery"));
    },
    SLOW_MS,
  );

  it(
    "catches the wrong variant NO_REPLAY",
    () => {
      const output = check("window", { ...bounds, NO_REPLAY: 1 });
      expect(output).toContain("assertion violated (place==(bNext+offset))");
    },
    SLOW_MS,
  );
});
