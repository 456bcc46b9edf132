import { readdirSync, readlinkSync } from "node:fs";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { contestants } from "./kernel-tcp.js";
import { Lane } from "./lane.js";
import type { Contestant } from "./messages.js";
import { Racer } from "./racer-process.js";
import { type AirOptions, Relay, RelayProgram } from "./relay.js";
import { obstacle } from "./requirements.js";

/**
 * Real namespaces, a real relay, the kernel's TCP. Also in CI they are left out where they cannot be
 * made: whether a container may is not up to the repository.
 */
const why = obstacle();
if (why !== undefined) process.stderr.write(`Tests left out. ${why}\n`);

const AIR: AirOptions = { loss: 0.05, seed: 1, queueFrames: 64, order: "first-come" };
const BYTES = 5000;
const LIMIT_MS = 50_000;

describe.skipIf(why !== undefined)("a race in the namespaces", { timeout: 120_000 }, () => {
  let program: RelayProgram;
  let lane: Lane;
  beforeAll(async () => {
    program = new RelayProgram();
    lane = await Lane.open(program);
  });
  afterAll(async () => {
    await lane?.close();
    program?.remove();
  });

  const run = (contestant: Contestant, loss = AIR.loss, bytes = BYTES, limitMs = LIMIT_MS) =>
    lane.run({ contestant, bytes, seed: 1 }, { ...AIR, loss }, limitMs);

  it.each(contestants(["cubic", "reno"]))("$name carries a message", async ({ contestant }) => {
    const { end, elapsedUs, heldBytes, relay } = await run(contestant);
    expect({ end, heldBytes }).toEqual({ end: "done", heldBytes: BYTES });
    // It cannot have been faster than its message takes on air, without a byte of headers.
    expect(elapsedUs).toBeGreaterThan((BYTES / 250) * 2896);
    expect(elapsedUs).toBeLessThan(LIMIT_MS * 1000);
    expect(relay.oversized).toBe(0);
    expect(relay.bytes[0]).toBeGreaterThan(BYTES);
    expect(relay.bytes[0] / relay.frames[0]).toBeLessThanOrEqual(250);
  });

  it("ends at the limit, and the next one finds nothing of it", async () => {
    const [bytes, limitMs] = [1_000_000, 300];
    const late = await run({ kind: "tcp", congestionControl: "reno" }, 0, bytes, limitMs);
    expect(late.end).toBe("late");
    expect(late.heldBytes).toBeGreaterThan(0);
    expect(late.heldBytes).toBeLessThan(bytes);
    const next = await run({ kind: "by-hand", way: "three times, no acks" }, 0, 60_000);
    expect(next.end).toBe("done");
    // Not one frame from the side that only listens; TCP would have tried again in this time.
    expect(next.relay.frames[1]).toBe(0);
    const fragments = Math.ceil(60_000 / (222 - 5));
    expect(next.relay.frames[0]).toBeLessThanOrEqual(3 * fragments);
  });
});

/** Whether any process runs this program. */
function isRunning(path: string): boolean {
  return readdirSync("/proc").some((entry) => {
    try {
      return readlinkSync(`/proc/${entry}/exe`) === path;
    } catch {
      // Not a process, or no longer one.
      return false;
    }
  });
}

describe.skipIf(why !== undefined)("a lane that is closed", { timeout: 120_000 }, () => {
  it("leaves no relay behind, also in the middle of a run", async () => {
    const program = new RelayProgram();
    const lane = await Lane.open(program);
    const tcp = { kind: "tcp", congestionControl: "reno" } as const;
    const run = lane.run({ contestant: tcp, bytes: 10_000_000, seed: 1 }, AIR, LIMIT_MS);
    const ended = expect(run).rejects.toThrow(/A racer has ended too soon|did not start/);
    while (!isRunning(program.path)) await new Promise((resolve) => setImmediate(resolve));
    await lane.close();
    await ended;
    expect(isRunning(program.path)).toBe(false);
    program.remove();
  });
});

describe.skipIf(why !== undefined)("a relay that has ended", { timeout: 120_000 }, () => {
  it("has given its devices back", async () => {
    const program = new RelayProgram();
    const racers = await Promise.all([
      Racer.start({ address: "192.0.2.1", other: "192.0.2.2" }),
      Racer.start({ address: "192.0.2.2", other: "192.0.2.1" }),
    ]);
    try {
      const [one, other] = racers;
      for (let count = 0; count < 5; count++) {
        const relay = await Relay.start(program, AIR, [one.namespace, other.namespace]);
        expect((await relay.end()).frames).toEqual([0, 0]);
        expect(relay.hasEnded).toBe(true);
      }
    } finally {
      await Promise.all(racers.map((racer) => racer.close()));
      program.remove();
    }
  });
});
