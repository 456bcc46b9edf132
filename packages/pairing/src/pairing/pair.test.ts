import { describe, expect, it, vi } from "vitest";
import { createPairKey } from "../keys/pair-key.js";
import { type PairOptions, pair } from "./pair.js";
import { openPairingMode, PairingHost } from "./pairing-host.js";
import {
  ADDRESSES,
  BOARD,
  CLAIM,
  canTalk,
  openAll,
  outcomes,
  pairWith,
  S,
  takeOne,
  yes,
} from "./pairing-world.js";
import type { PairingWay } from "./way.js";

describe("pair", () => {
  it.each(["cable", "code", "compare"] as const)(
    "by %s over a link that loses a fifth: then they talk in secret",
    async (way) => {
      const world = await openAll({ loss: 0.2 });
      const steps: string[] = [];
      const mode = takeOne(world, way);
      const pairing = pairWith(world, way, { onStep: (step) => steps.push(step) });
      const [paired, taken] = await outcomes<{ name: string }>(world.clock, pairing, mode);
      expect(paired?.value).toMatchObject({ name: "row 4", isConfirmed: true });
      expect(taken?.value).toMatchObject({ name: "gateway", way, address: ADDRESSES[0] });
      expect(steps.filter((step) => step !== "waiting")).toEqual([
        "offered",
        "answered",
        "agreed",
        "confirmed",
      ]);
      expect(await canTalk(world)).toBe(true);
    },
  );

  it("by code as a person typed it", async () => {
    const world = await openAll();
    const host = new PairingHost(world.board.endpoint, {
      ring: world.board.ring,
      claim: CLAIM,
      clock: world.clock,
    });
    const mode = host.openMode({ ways: ["code"] });
    const { endpoint, ring } = world.gateway;
    const pairing = pair(endpoint, BOARD, {
      way: "code",
      code: " 7k3vd qOzxa",
      ring,
      clock: world.clock,
    });
    // The code's secret takes real time, which a virtual clock knows nothing of.
    await vi.waitFor(() => expect(world.clock.timerCount).toBeGreaterThan(1), { timeout: 20_000 });
    const [paired] = await outcomes<unknown>(world.clock, pairing, mode);
    expect(paired?.value).toMatchObject({ isConfirmed: true });
  });

  it("asks persons on both sides for the same six digits, and tells them when it is over", async () => {
    const world = await openAll();
    const asked: string[] = [];
    const signals: AbortSignal[] = [];
    const ask =
      (who: string) => async (shortCode: string, about: { name: string; signal: AbortSignal }) => {
        asked.push(`${who} ${about.name} ${shortCode}`);
        signals.push(about.signal);
        await world.clock.delay(3 * S);
        return true;
      };
    const { board, clock } = world;
    const mode = openPairingMode(board.endpoint, {
      ring: board.ring,
      clock,
      name: "row 4",
      ways: ["compare"],
      confirm: ask("board"),
    });
    const [paired] = await outcomes<unknown>(
      clock,
      pairWith(world, "compare", { confirm: ask("gateway") }),
      mode,
    );
    expect(paired?.code).toBeUndefined();
    const digits = asked[0]?.slice(-6);
    expect(digits).toMatch(/^\d{6}$/);
    expect(asked).toEqual([`gateway row 4 ${digits}`, `board gateway ${digits}`]);
    expect(signals.map(({ aborted }) => aborted)).toEqual([true, true]);
  });

  it("renews a key while a message is under way, without pairing mode", async () => {
    const world = await openAll({ loss: 0.1 });
    const { clock, board, gateway } = world;
    const [first] = await outcomes<unknown>(clock, pairWith(world, "code"), takeOne(world, "code"));
    expect(first?.error).toBeUndefined();
    await clock.run({ untilUs: clock.nowUs() + 20 * S });
    const renewed: string[] = [];
    const host = new PairingHost(board.endpoint, {
      ring: board.ring,
      clock,
      onPaired: ({ way, name }) => renewed.push(`${way} ${name}`),
    });
    const [before] = gateway.ring.record(BOARD)?.keys ?? [];
    let received = 0;
    board.endpoint.onMessage(({ bytes }) => {
      received = bytes.length;
    });
    const blob = gateway.endpoint
      .peer(BOARD)
      .send(new Uint8Array(60_000), { afterRestart: "resend" });
    const [sent, again] = await outcomes<unknown>(clock, blob, pairWith(world, "renew"));
    expect([sent?.error, again?.error]).toEqual([undefined, undefined]);
    expect(received).toBe(60_000);
    expect(renewed).toEqual(["renew gateway"]);
    const { keys } = gateway.ring.record(BOARD)!;
    expect(keys).toHaveLength(1);
    expect(keys[0]!.exportSecret()).not.toEqual(before!.exportSecret());
    expect(board.ring.record(ADDRESSES[0]!)?.keys.map((key) => key.exportSecret())).toEqual([
      keys[0]!.exportSecret(),
    ]);
    expect(await canTalk(world)).toBe(true);
    host.close();
  });

  it("with one of many: another gateway is told that the board is busy, and comes later", async () => {
    const world = await openAll();
    const { other, clock } = world;
    const slowly = async () => {
      await clock.delay(5 * S);
      return true;
    };
    const mode = takeOne(world, "compare");
    const first = pairWith(world, "compare", { confirm: slowly });
    await clock.run({ untilUs: clock.nowUs() + S });
    const options = { way: "compare", ring: other.ring, clock, confirm: yes } as const;
    const [second] = await outcomes(clock, pair(other.endpoint, BOARD, options));
    expect(second?.code).toBe("busy");
    expect(second?.error?.message).toMatch(/somebody else\. Wait/);
    const [paired] = await outcomes<unknown>(clock, first, mode);
    expect(paired?.value).toMatchObject({ isConfirmed: true });
    const [third] = await outcomes(clock, pair(other.endpoint, BOARD, options));
    expect(third?.code).toBe("not-in-pairing-mode");
  });

  it("tells what went wrong, in a sentence that says what to do", async () => {
    const world = await openAll();
    const { clock, board } = world;
    const host = new PairingHost(board.endpoint, { ring: board.ring, claim: CLAIM, clock });
    const seen: [string | undefined, string | undefined][] = [];
    const attempt = async (way: PairingWay, more: Partial<PairOptions> = {}) => {
      const [result] = await outcomes(clock, pairWith(world, way, more));
      seen.push([result?.code, result?.error?.message]);
    };
    await attempt("code");
    void host
      .openMode({ ways: ["code", "compare"], durationUs: 600 * S, confirm: async () => false })
      .catch(() => {});
    await attempt("cable");
    await attempt("compare");
    await attempt("compare", { confirm: async () => false });
    await attempt("code", { claim: new Uint8Array(32).fill(3) });
    await attempt("renew");
    await attempt("code", { claim: undefined as never, code: "7K3VD" });
    await attempt("code", { signal: AbortSignal.abort() });
    host.close();
    await attempt("code");
    expect(seen.map(([code]) => code)).toEqual([
      "not-in-pairing-mode",
      "way-not-open",
      "refused-there",
      "refused-here",
      "wrong-proof",
      "no-key",
      "bad-claim-code",
      "aborted",
      "no-answer",
    ]);
    for (const [, sentence] of seen) expect(sentence).toMatch(/\. .+\.$/);
    expect(world.gateway.ring.size).toBe(0);
    expect(board.ring.size).toBe(0);
  });

  it("is aborted by its signal, and tells the board", async () => {
    const world = await openAll();
    const { clock, board } = world;
    const host = new PairingHost(board.endpoint, { ring: board.ring, clock });
    const failed: string[] = [];
    const confirm = () => new Promise<boolean>(() => {});
    const mode = host.openMode({
      ways: ["compare"],
      confirm,
      onFailed: ({ code }) => failed.push(code),
    });
    const abort = new AbortController();
    const pairing = pairWith(world, "compare", { signal: abort.signal });
    clock.setTimer(2 * S, () => abort.abort(new Error("changed my mind")));
    const [result] = await outcomes(clock, pairing);
    expect(result?.error).toMatchObject({ code: "aborted", cause: { message: "changed my mind" } });
    await clock.run({ untilUs: clock.nowUs() + S });
    expect(failed).toEqual(["cancelled-there"]);
    expect(host.isInPairingMode).toBe(true);
    host.closeMode();
    const [closed] = await outcomes(clock, mode);
    expect(closed?.code).toBe("aborted");
  });

  it("waits for a slow store, and ends with nothing if it fails", async () => {
    const world = await openAll();
    const { clock, board, gateway } = world;
    const cause = new Error("disk full");
    for (const ring of [gateway.ring, board.ring]) {
      const stop = ring.onChange(async () => {
        await clock.delay(S);
        throw cause;
      });
      const host = new PairingHost(board.endpoint, { ring: board.ring, clock });
      const errors: unknown[] = [];
      const onFailed = (error: unknown) => errors.push(error);
      void host.openMode({ ways: ["cable"], onFailed }).catch(() => {});
      const [result] = await outcomes(clock, pairWith(world, "cable"));
      if (ring === gateway.ring) expect(result?.error).toMatchObject({ code: "not-stored", cause });
      else {
        expect(result?.code).toBe("cancelled-there");
        expect(errors).toMatchObject([{ code: "not-stored", cause }]);
      }
      stop();
      host.close();
    }
  });

  it.each([
    ["gateway", "renew", "aborted"],
    ["gateway", "compare", "aborted"],
    ["board", "renew", "wrong-proof"],
    ["board", "compare", "cancelled-there"],
  ] as const)(
    "does not undo a revocation by the %s that came in between: %s",
    async (side, way, code) => {
      const world = await openAll();
      const { clock, board, gateway } = world;
      const secret = new Uint8Array(32).fill(5);
      gateway.ring.set(BOARD, createPairKey(secret, "initiator"));
      board.ring.set(ADDRESSES[0]!, createPairKey(secret, "responder"));
      const { ring } = world[side];
      const address = side === "gateway" ? BOARD : ADDRESSES[0]!;
      const host = new PairingHost(board.endpoint, { ring: board.ring, clock });
      void host.openMode({ ways: ["compare"], confirm: yes }).catch(() => {});
      const onStep = (step: string) => step === "answered" && ring.revoke(address);
      const [result] = await outcomes(clock, pairWith(world, way, { onStep }));
      expect(result?.code).toBe(code);
      expect(ring.keysFor(address)).toBe("revoked");
      host.close();
    },
  );

  it("of a revoked address ends the revocation", async () => {
    const world = await openAll();
    world.gateway.ring.revoke(BOARD);
    world.board.ring.revoke(ADDRESSES[0]!);
    const [paired] = await outcomes<unknown>(
      world.clock,
      pairWith(world, "code"),
      takeOne(world, "code"),
    );
    expect(paired?.error).toBeUndefined();
    expect(await canTalk(world)).toBe(true);
  });

  it("forgets the key of before when the board has confirmed, and those before one that a renewal has proven", async () => {
    const world = await openAll();
    const { clock, board, gateway } = world;
    const key = (seed: number, side: "initiator" | "responder") =>
      createPairKey(new Uint8Array(32).fill(seed), side);
    gateway.ring.set(BOARD, key(1, "initiator"));
    gateway.ring.setNewer(BOARD, key(2, "initiator"));
    board.ring.set(ADDRESSES[0]!, key(1, "responder"));
    board.ring.setPending(ADDRESSES[0]!, key(2, "responder"));
    const seen: number[][] = [];
    board.ring.onChange(({ record }) => {
      seen.push(record?.keys.map((each) => each.exportSecret()[0] ?? 0) ?? []);
    });
    const host = new PairingHost(board.endpoint, { ring: board.ring, clock });
    const [paired] = await outcomes(clock, pairWith(world, "renew"));
    expect(paired?.value?.isConfirmed).toBe(true);
    const fresh = paired?.value?.key.exportSecret()[0] ?? 0;
    expect(seen).toEqual([[2], [2, fresh], [fresh]]);
    const { keys } = gateway.ring.record(BOARD)!;
    expect(keys).toHaveLength(1);
    expect(keys[0]).toBe(paired?.value?.key);
    host.close();
  });

  it("has one pairing with an address at a time", async () => {
    const world = await openAll();
    const mode = takeOne(world, "cable");
    const first = pairWith(world, "cable");
    await expect(pairWith(world, "cable")).rejects.toMatchObject({ code: "busy" });
    const [paired] = await outcomes<unknown>(world.clock, first, mode);
    expect(paired?.error).toBeUndefined();
  });

  it("two that renew at once with each other are both told, and keep a key that both have", async () => {
    const world = await openAll();
    const { clock, gateway, board } = world;
    gateway.ring.set(BOARD, createPairKey(new Uint8Array(32).fill(5), "initiator"));
    board.ring.set(ADDRESSES[0]!, createPairKey(new Uint8Array(32).fill(5), "responder"));
    const hosts = [gateway, board].map(
      ({ endpoint, ring }) => new PairingHost(endpoint, { ring, clock }),
    );
    const there = pairWith(world, "renew");
    const back = pair(board.endpoint, ADDRESSES[0]!, { way: "renew", ring: board.ring, clock });
    const ends = await outcomes<unknown>(clock, there, back);
    expect(ends.map(({ code }) => code)).toEqual(["busy", "busy"]);
    expect(await canTalk(world)).toBe(true);
    for (const host of hosts) host.close();
  });

  it("refuses options that are not valid", async () => {
    const world = await openAll();
    const { endpoint, ring } = world.gateway;
    for (const [options, sentence] of [
      [{ way: "cable", ring, name: "a name that is too long" }, /23 bytes, 16/],
      [{ way: "shout" as "cable", ring }, /shout is not cable, code/],
      [{ way: "code", ring }, /Option code: it is needed/],
      [{ way: "code", ring, claim: new Uint8Array(32) }, /no claim secret/],
      [{ way: "compare", ring }, /Option confirm/],
    ] as const)
      await expect(pair(endpoint, BOARD, options)).rejects.toThrow(sentence);
    await expect(pair(endpoint, new Uint8Array(0), { way: "cable", ring })).rejects.toThrow(
      /address/,
    );
  });

  it("needs datagrams of 96 bytes", async () => {
    for (const mtuBytes of [95, 96]) {
      const world = await openAll({ mtuBytes });
      if (mtuBytes === 95) {
        await expect(pairWith(world, "code")).rejects.toMatchObject({ code: "mtu-too-small" });
        await expect(takeOne(world, "code")).rejects.toMatchObject({ code: "mtu-too-small" });
        continue;
      }
      const [paired] = await outcomes<unknown>(
        world.clock,
        pairWith(world, "code", { name: "x".repeat(16) }),
        takeOne(world, "code"),
      );
      expect(paired?.error).toBeUndefined();
    }
  });

  it("ends with the endpoint", async () => {
    const world = await openAll();
    const { clock } = world;
    const mode = takeOne(world, "compare");
    const pairing = pairWith(world, "compare", { confirm: () => new Promise(() => {}) });
    clock.setTimer(2 * S, () => void world.gateway.endpoint.close());
    clock.setTimer(2 * S, () => void world.board.endpoint.close());
    const [result, taken] = await outcomes<unknown>(clock, pairing, mode);
    expect(result?.code).toBe("endpoint-closed");
    expect(["endpoint-closed", "time-over"]).toContain(taken?.code);
  });

  it("is not broken by what the caller's code throws", async () => {
    const world = await openAll();
    const uncaught: unknown[] = [];
    const note = (error: unknown) => uncaught.push(error);
    const others = process.listeners("uncaughtException");
    process.removeAllListeners("uncaughtException");
    process.on("uncaughtException", note);
    const mode = takeOne(world, "cable");
    const onStep = () => {
      throw new Error("of the caller");
    };
    const [paired] = await outcomes<unknown>(
      world.clock,
      pairWith(world, "cable", { onStep }),
      mode,
    );
    process.off("uncaughtException", note);
    for (const listener of others) process.on("uncaughtException", listener);
    expect(paired?.error).toBeUndefined();
    expect(uncaught.length).toBeGreaterThan(0);
    const angry = async () => {
      throw new Error("no screen");
    };
    // At once: the host of before only answers what may still be asked.
    const again = takeOne(world, "compare").catch(() => {});
    const [refused] = await outcomes(world.clock, pairWith(world, "compare", { confirm: angry }));
    expect(refused?.error).toMatchObject({ code: "refused-here", cause: { message: "no screen" } });
    await world.clock.run({ untilUs: world.clock.nowUs() + 100 * S });
    await again;
  });
});
