import { expect } from "vitest";
import { Arena, type ArenaOptions } from "./arena.js";
import type { Attack } from "./attack.js";
import { WorkMeter } from "./work-meter.js";

/** Of an attack's datagrams; all of them, and millions, go through `npm run bench -- hostile --scale`. */
const SHARE = 0.2;
const DATAGRAMS_MIN = 20;
/**
 * What a round of good traffic may take under attack, in times of what it takes alone: with the airtime of the
 * attack and of the answers to it left out, and in all, while the attacker always has four datagrams in its
 * radio's queue where each of the others has two at most.
 */
const NET_MAX = 2;
const GROSS_MAX = 6;
/** The deadline of the good messages, and a retry. */
const ENDED_US_MAX = 125_000_000;
/**
 * Steps and copied bytes for each byte of the attack, above what any datagram costs. Good messages of one full
 * datagram take about three.
 */
const WORK_PER_BYTE_MAX = 20;
const WORK_PER_DATAGRAM = 100;
/** Streams that a peer may have begun before its owner has taken the first. */
const STREAMS_MAX = 200;

/** An attack in its arena, and what it must leave as it was. The arena itself throws when a limit is passed. */
export async function expectUnharmed(attack: Attack, options: ArenaOptions = {}): Promise<void> {
  const meter = new WorkMeter();
  meter.start();
  try {
    const arena = await Arena.open(attack, { ...options, meter });
    const outcome = await arena.run(Math.max(DATAGRAMS_MIN, attack.datagrams * SHARE));
    const { worstRound, roundUs, accounts, failures, shots } = outcome;
    expect(shots).toBeGreaterThanOrEqual(DATAGRAMS_MIN / 2);
    expect(accounts.worstRatio).toBeLessThanOrEqual(1);
    if (attack.harms === "sessions") {
      expect(worstRound.us).toBeLessThan(ENDED_US_MAX);
    } else {
      expect(failures).toBe(0);
      expect((worstRound.us - worstRound.hostileAirUs) / roundUs).toBeLessThan(NET_MAX);
      expect(worstRound.us / roundUs).toBeLessThan(GROSS_MAX);
      expect(meter.perByte(WORK_PER_DATAGRAM)).toBeLessThan(WORK_PER_BYTE_MAX);
    }
    // Whoever was silent all the time is still in its first session.
    expect(arena.idleReport).toMatchObject({ phase: "open", sessions: 1 });
    // After the attack nothing of it is held, and nothing goes on by itself.
    expect(arena.streams).toBeLessThanOrEqual(STREAMS_MAX);
    expect(arena.victim.heldBytes).toBe(0);
    expect(arena.clock.timerCount).toBe(0);
  } finally {
    meter.stop();
  }
}
