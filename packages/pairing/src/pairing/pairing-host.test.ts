import { describe, expect, it } from "vitest";
import { openPairingMode, PairingHost } from "./pairing-host.js";
import { CLAIM, openAll, outcomes, pairWith, S, takeOne } from "./pairing-world.js";
import { PAIRING_WAYS } from "./way.js";

describe("pairing mode", () => {
  it("ends by itself after a minute, or when it is told to", async () => {
    const world = await openAll();
    const { clock, board } = world;
    const startUs = clock.nowUs();
    const [over] = await outcomes(clock, takeOne(world, "code"));
    expect(over?.code).toBe("time-over");
    expect(clock.nowUs() - startUs).toBe(60 * S);
    const abort = new AbortController();
    const { ring, endpoint } = board;
    const given = { ring, clock, ways: ["cable"] as const, signal: abort.signal };
    const mode = openPairingMode(endpoint, given);
    clock.setTimer(clock.nowUs() + S, () => abort.abort());
    const [aborted] = await outcomes(clock, mode);
    expect(aborted?.code).toBe("aborted");
    await expect(openPairingMode(endpoint, given)).rejects.toMatchObject({ code: "aborted" });
  });

  it("counts wrong codes over restarts, before it looks at them, and locks after five", async () => {
    const world = await openAll();
    const { clock, board } = world;
    let stored = 0;
    const log: string[] = [];
    for (let guess = 1; guess <= 5; guess++) {
      // A host of its own each time: the board has restarted.
      const mode = openPairingMode(board.endpoint, {
        ring: board.ring,
        clock,
        claim: CLAIM,
        ways: ["code"],
        wrongProofs: stored,
        onWrongProofs: async (count) => {
          await clock.delay(100_000);
          stored = count;
          log.push(`stored ${count}`);
        },
      });
      mode.catch(() => {});
      const [wrong] = await outcomes(
        clock,
        pairWith(world, "code", { claim: new Uint8Array(32).fill(3) }),
      );
      log.push(String(wrong?.code));
      const [ended] = await outcomes(clock, mode);
      expect(ended?.code).toBe(guess < 5 ? "time-over" : "code-locked");
      await clock.run({ untilUs: clock.nowUs() + 20 * S });
    }
    expect(log).toEqual([1, 2, 3, 4, 5].flatMap((count) => [`stored ${count}`, "wrong-proof"]));
    const host = new PairingHost(board.endpoint, {
      ring: board.ring,
      clock,
      claim: CLAIM,
      wrongProofs: stored,
    });
    await expect(host.openMode({ ways: ["code"] })).rejects.toMatchObject({ code: "code-locked" });
    void host.openMode({ ways: ["code", "cable"] }).catch(() => {});
    const [shut] = await outcomes(clock, pairWith(world, "code"));
    expect(shut?.code).toBe("way-not-open");
    host.forgiveWrongProofs();
    const [right] = await outcomes(clock, pairWith(world, "code"));
    expect(right?.error).toBeUndefined();
    host.close();
  });

  it("forgives wrong codes after a right one", async () => {
    const world = await openAll();
    const { clock, board } = world;
    const counts: number[] = [];
    const host = new PairingHost(board.endpoint, {
      ring: board.ring,
      clock,
      claim: CLAIM,
      wrongProofs: 3,
      onWrongProofs: (count) => void counts.push(count),
    });
    void host.openMode({ ways: ["code"] }).catch(() => {});
    await outcomes(clock, pairWith(world, "code"));
    expect(counts).toEqual([4, 0]);
    host.close();
  });

  it("does not look at a guess whose count could not be stored", async () => {
    const world = await openAll();
    const { clock, board } = world;
    const host = new PairingHost(board.endpoint, {
      ring: board.ring,
      clock,
      claim: CLAIM,
      onWrongProofs: () => Promise.reject(new Error("disk full")),
    });
    const codes: string[] = [];
    void host
      .openMode({ ways: ["code"], onFailed: ({ code }) => codes.push(code) })
      .catch(() => {});
    const [result] = await outcomes(clock, pairWith(world, "code"));
    expect(result?.code).toBe("cancelled-there");
    expect(codes).toEqual(["not-stored"]);
    host.close();
  });

  it("refuses options that are not valid, and a second host on an endpoint", async () => {
    const { board, clock } = await openAll();
    const { endpoint, ring } = board;
    expect(() => new PairingHost(endpoint, { ring, claim: new Uint8Array(3) })).toThrow(/claim/);
    expect(() => new PairingHost(endpoint, { ring, wrongProofs: -1 })).toThrow(/wrongProofs/);
    expect(() => new PairingHost(endpoint, { ring, name: "x".repeat(17) })).toThrow(/17 bytes/);
    const host = new PairingHost(endpoint, { ring, clock });
    expect(() => new PairingHost(endpoint, { ring })).toThrow(/host already/);
    for (const [settings, sentence] of [
      [{ ways: [] }, /ways/],
      [{ ways: ["renew" as "cable"] }, /not some of cable, code, compare/],
      [{ ways: ["code"] }, /claim/],
      [{ ways: ["compare"] }, /confirm/],
      [{ ways: ["cable"], durationUs: 0 }, /durationUs/],
      [{ ways: ["cable"], durationUs: 3_600_000_001 }, /durationUs/],
    ] as const)
      await expect(host.openMode(settings)).rejects.toThrow(sentence);
    const open = host.openMode({ ways: ["cable"] });
    await expect(host.openMode({ ways: ["cable"] })).rejects.toThrow(/open already/);
    host.close();
    await expect(open).rejects.toMatchObject({ code: "aborted" });
    new PairingHost(endpoint, { ring, clock }).close();
    expect(PAIRING_WAYS).toHaveLength(4);
  });
});
