// Hostile input against an endpoint that goes on talking to its good peers (PROTOCOL.md, sections 11 and 12).
// What is checked while an attack lasts stands in limits.ts, accounts.ts and good-traffic.ts; what must be so at its end,
// in unharmed.ts.

import { describe, expect, it } from "vitest";
import { Arena } from "./arena.js";
import type { Attack } from "./attack.js";
import { ALL_HELD } from "./attacks/half-sent.js";
import { OPENINGS, QUESTIONS } from "./attacks/openings.js";
import { ATTACKS, FOUND } from "./attacks.js";
import { expectUnharmed } from "./unharmed.js";

function named(attacks: readonly Attack[]): [string, Attack][] {
  return attacks.map((attack) => [attack.name, attack]);
}

describe.each(Object.entries(ATTACKS))("%s", (_family, attacks) => {
  it.each(named(attacks))("%s", (_name, attack) => expectUnharmed(attack));
});

describe("attacks that once did harm", () => {
  it.each(named(FOUND))("%s", (_name, attack) => expectUnharmed(attack));
});

describe("with a fifth of the airtime allowed", () => {
  const floods = [QUESTIONS, ...OPENINGS.filter(({ name }) => name.startsWith("openings"))];
  it.each(named(floods))("%s", async (_name, attack) => {
    const arena = await Arena.open({ ...attack, limits: { ...attack.limits, airtimeShare: 0.2 } });
    const { worstRound, roundUs } = await arena.run(700);
    // Most of that fifth may go into answers, never all of it.
    expect(worstRound.us / roundUs).toBeLessThan(9);
  });
});

describe("when all that may be held is held", () => {
  it("good messages wait, and arrive once those who held it have been given up", async () => {
    const arena = await Arena.open(ALL_HELD);
    const { worstRound, limits, failures } = await arena.run();
    const total = ALL_HELD.limits?.totalBytesMax ?? 0;
    expect(limits.heldBytesMax).toBeGreaterThan(0.9 * total);
    expect(limits.heldBytesMax).toBeLessThanOrEqual(total);
    expect(failures).toBe(0);
    // Twice `unreachableUs` of silence, and the attack itself.
    expect(worstRound.us).toBeLessThan(70_000_000);
    expect(arena.victim.heldBytes).toBe(0);
  });
});
