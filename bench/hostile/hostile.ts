import { Arena, type Round } from "../../test/hostile/arena.js";
import type { Attack } from "../../test/hostile/attack.js";
import { ATTACKS, FOUND } from "../../test/hostile/attacks.js";
import { usedBytes } from "../../test/hostile/used-bytes.js";
import { type BenchOptions, mean, type Row, rounded } from "../benchmark.js";

/** Fewer would not even open the sessions that some attacks need. */
const DATAGRAMS_MIN = 20;
/** Datagrams that fill what has a limit, and then as many during which memory must not grow. */
const HEAP_DATAGRAMS = 3000;
const PER = 100_000;
/** Virtual time; more than any attack here takes at scale 100. */
const FIRE_S_MAX = 10_000_000;

export const hostile = {
  name: "hostile",
  title: "An endpoint under attack while it talks to a good peer",
  notes: [
    "knows             what the attacker has: addresses only (stranger), sessions of its own (peer), every",
    "                  datagram of the good peer and all tokens (eavesdropper)",
    "datagrams         of the attack that were heard",
    "refused           of them: unreadable, ignored, unexplained, corrupt, malformed or seen before, as far",
    "                  as whoever sent them is still remembered",
    "heldBytesMax      most bytes that the endpoint held, the good peers' included",
    "peersMax          most peers that it remembered, two good ones included, and unverified sessions among them",
    "answers           datagrams sent to the attacker, and their bytes; to verified addresses also messages",
    "amplification     largest ratio of what was sent to an address to what had come from it, in bytes or",
    "                  datagrams, before it had proved that it receives; must not exceed 1",
    "timeRatio         endpoint's time for a hostile datagram ÷ for one of the good peer, real time",
    "heapBytesPer100k  growth of heap and array buffers for 100,000 datagrams, once what has a limit is full;",
    `                  measured on ${HEAP_DATAGRAMS} that need no air: ±10,000,000 is noise`,
    "slowdown          longest round of good messages ÷ one without attack; net: without the airtime of the",
    "                  attack and of its answers",
    "failed            good messages that failed; only whoever forges with the right tokens brings that about",
  ],
  async *run({ scale }: BenchOptions): AsyncIterable<Row> {
    const attacks = [...Object.values(ATTACKS).flat(), ...FOUND];
    // One that is not reported: the first is slower by what is compiled meanwhile.
    for (const attack of attacks.slice(0, 1)) await rowOf(attack, scale);
    for (const attack of attacks) yield await rowOf(attack, scale);
  },
};

export async function rowOf(attack: Attack, scale: number): Promise<Row> {
  const of = (datagrams: number) => Math.max(DATAGRAMS_MIN, Math.round(datagrams * scale));
  const heapBytes = await heapGrowth(attack, of(HEAP_DATAGRAMS));
  return underAttack(attack, of(attack.datagrams), heapBytes);
}

/** On the reference channel, with good traffic at the same time. */
async function underAttack(attack: Attack, datagrams: number, heapBytes: number): Promise<Row> {
  const arena = await Arena.open(attack, { isLenient: true });
  const { radio, accounts, limits, traffic, victim } = arena;
  await arena.round();
  const roundUs = (await arena.round()).us;
  traffic.mayFail = attack.harms === "sessions";
  const worst = await attackWith(arena, datagrams);
  limits.checkAll();
  const row = {
    bench: "hostile",
    attack: attack.name,
    knows: attack.knows,
    datagrams: arena.shots,
    refused: refusedBy(arena),
    heldBytesMax: limits.heldBytesMax,
    peersMax: limits.peersMax,
    strangersMax: limits.strangersMax,
    answers: accounts.datagramsOut,
    answerBytes: accounts.bytesOut,
    amplification: rounded(accounts.worstRatio, 3),
    timeRatio: rounded(meanMs(radio.callsMs.hostile) / meanMs(radio.callsMs.good), 2),
    heapBytesPer100k: Math.round(heapBytes * PER),
    slowdown: rounded(worst.us / roundUs, 2),
    netSlowdown: rounded((worst.us - worst.hostileAirUs) / roundUs, 2),
    failed: traffic.failures,
  };
  await victim.close();
  return row;
}

/** As fast as the victim hears them, one microsecond apart, with nothing else going on. @returns bytes for each */
async function heapGrowth(attack: Attack, datagrams: number): Promise<number> {
  const arena = await Arena.open(attack, { isLenient: true, attackDepth: 0 });
  arena.traffic.mayFail = true;
  for (let i = 0; i < 2; i++) await arena.round();
  // What an eavesdropper goes on to write down is not the victim's memory.
  arena.overheard.isListening = false;
  const shots = attack.shots(arena.vantage());
  const fire = async () => {
    await arena.until(arena.begin(datagrams, shots), FIRE_S_MAX);
    arena.forgetRecords();
    return usedBytes();
  };
  const before = await fire();
  const after = await fire();
  await arena.victim.close();
  return (after - before) / datagrams;
}

/** Rounds of good traffic until the attack is over. @returns the longest of them */
async function attackWith(arena: Arena, datagrams: number): Promise<Round> {
  const isOver = arena.begin(datagrams);
  let worst: Round = { us: 0, hostileAirUs: 0 };
  do {
    const round = await arena.round();
    if (round.us > worst.us) worst = round;
  } while (!isOver());
  return worst;
}

function refusedBy({ victim }: Arena): number {
  const { unreadableDatagrams, ignoredDatagrams, unexplainedDatagrams } = victim.counts;
  let sum = unreadableDatagrams + ignoredDatagrams + unexplainedDatagrams;
  for (const { corruptDatagrams, malformed, duplicateDatagrams } of victim.reports())
    sum += corruptDatagrams + malformed + duplicateDatagrams;
  return sum;
}

/** Without the slowest hundredth: those are the ones during which the machine did something else. */
function meanMs(callsMs: readonly number[]): number {
  const sorted = [...callsMs].sort((one, other) => one - other);
  return mean(sorted.slice(0, Math.ceil(sorted.length * 0.99)));
}
