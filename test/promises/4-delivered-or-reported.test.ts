// Promise 4 of PROTOCOL.md, section 12: delivered, or reported no later than the deadline.

import {
  Endpoint,
  FardelError,
  type FardelErrorCode,
  type Link,
  type Protection,
} from "@fardel/core";
import { VirtualClock } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { HandLink } from "./hand-link.js";
import { Resealer } from "./reseal.js";
import { bytesOf, type Sending, Stage } from "./stage.js";

const UNREACHABLE_S = 30;

describe("promise 4: delivered or reported", () => {
  it("arrives as long as datagrams get through with any probability", async () => {
    for (const loss of [0.1, 0.3, 0.5, 0.7]) {
      for (let seed = 1; seed <= 8; seed++) {
        const stage = await Stage.open({
          medium: { loss },
          seed,
          a: { unreachableUs: 3_600_000_000 },
          b: { unreachableUs: 3_600_000_000 },
        });
        const sendings = [
          stage.send("a", bytesOf(1500), { deadlineMs: 1e7 }),
          stage.send("b", bytesOf(20)),
        ];
        await stage.settle(sendings);
        expect(sendings.map(({ receipt }) => receipt?.outcome)).toEqual(["delivered", "delivered"]);
        expect(stage.got.b.length + stage.got.a.length).toBe(2);
      }
    }
  });

  for (const dead of ["a", "b"] as const) {
    it(`a way that is dead from ${dead} on: the deadline, else unreachable after 30 s`, async () => {
      for (const isKnown of [false, true]) {
        const stage = await Stage.open();
        if (isKnown) await stage.settle([stage.send("a", bytesOf(9))]);
        await stage.pass(3);
        stage.passes = ({ from, bytes }) => (from === dead ? undefined : bytes);
        const startUs = stage.clock.nowUs();
        const short = stage.send("a", bytesOf(500), { deadlineMs: 1234 });
        const long = stage.send("a", bytesOf(700), { channel: 3 });
        await stage.settle([short, long], 100);
        expect(short.error?.code).toBe("deadline-passed");
        expect(short.endedUs - startUs).toBe(1_234_000);
        expect(long.error?.code).toBe("peer-unreachable");
        const silentS = (long.endedUs - startUs) / 1e6;
        expect(silentS).toBeGreaterThanOrEqual(UNREACHABLE_S - 0.1);
        expect(silentS).toBeLessThan(UNREACHABLE_S + 1);
      }
    });
  }

  it("a way that is dead for a while and comes back: delivered", async () => {
    for (const fromS of [0, 0.003, 0.01, 0.05]) {
      const stage = await Stage.open();
      stage.passes = ({ bytes, atUs }) => (atUs >= fromS * 1e6 && atUs < 20e6 ? undefined : bytes);
      const sending = stage.send("a", bytesOf(5000));
      await stage.settle([sending], 60);
      expect(sending.receipt?.outcome, `dead from ${fromS} s`).toBe("delivered");
      // The longest wait between two tries is 5 s and an eighth: PROTOCOL.md, 7.4.
      expect(sending.endedUs).toBeLessThan(27e6);
      expect(stage.got.b.length).toBe(1);
    }
  });

  it("no deadline of any mix is passed without a word, and none is cut short", async () => {
    const plan = fc.array(
      fc.record({
        bytes: fc.nat({ max: 3000 }),
        deadlineMs: fc.integer({ min: 1, max: 3000 }),
        way: fc.constantFrom("ordered", "unordered", "latest", "unacknowledged"),
        priority: fc.constantFrom("bulk", "normal", "urgent"),
        waitUs: fc.nat({ max: 100_000 }),
      }),
      { minLength: 1, maxLength: 20 },
    );
    const air = fc.record({
      loss: fc.constantFrom(0, 0.3, 0.8, 1),
      seed: fc.integer({ min: 1, max: 1e6 }),
    });
    await fc.assert(
      fc.asyncProperty(plan, air, async (sends, { loss, seed }) => {
        const stage = await Stage.open({ medium: { loss }, seed });
        const dues: { sending: Sending; dueUs: number }[] = [];
        for (const { bytes, deadlineMs, way, priority, waitUs } of sends) {
          const dueUs = stage.clock.nowUs() + deadlineMs * 1000;
          const options = { way, priority, deadlineMs };
          dues.push({ sending: stage.send("a", bytesOf(bytes), options), dueUs });
          await stage.pass(waitUs / 1e6);
        }
        await stage.settle(dues.map(({ sending }) => sending));
        for (const { sending, dueUs } of dues) {
          expect(sending.endedUs).toBeGreaterThanOrEqual(0);
          expect(sending.endedUs).toBeLessThanOrEqual(dueUs);
          if (sending.error) expect(sending.error.code).toBe("deadline-passed");
          if (sending.error) expect(sending.endedUs).toBe(dueUs);
        }
      }),
      { numRuns: 60 },
    );
  });

  it("deadlines do not stand still while the link is down", async () => {
    const stage = await Stage.open();
    stage.radio("a").restartRadio(60_000_000);
    const sending = stage.send("a", bytesOf(100), { deadlineMs: 5000 });
    await stage.settle([sending]);
    expect(sending.error?.code).toBe("deadline-passed");
    expect(sending.endedUs).toBe(5_000_000);
  });

  it("what cannot have arrived is told apart from what may have", async () => {
    const stage = await Stage.open();
    stage.passes = () => undefined;
    const some = stage.send("a", bytesOf(20), { deadlineMs: 100 });
    const none = stage.send("a", bytesOf(5000), { deadlineMs: 100, channel: 4 });
    await stage.settle([some, none]);
    expect(some.error?.delivery).toBe("unknown");
    expect(none.error?.delivery).toBe("none");
  });

  it("nothing hangs when an endpoint is closed", async () => {
    const stage = await Stage.open();
    const sendings = [0, 20, 5000].map((bytes) => stage.send("a", bytesOf(bytes), { channel: 3 }));
    const request = stage.watch(stage.a.peer(stage.addressOf("b")).request(bytesOf(9)));
    await stage.pass(0.004);
    await stage.a.close();
    await stage.settle([...sendings, request], 1);
    for (const { error, receipt } of [...sendings, request])
      expect(receipt?.outcome ?? error?.code).toMatch(/delivered|endpoint-closed/);
    const late = stage.send("a", bytesOf(3));
    await stage.settle([late], 1);
    expect(late.error?.code).toBe("endpoint-closed");
  });
});

/** A way to reach each code: the compiler asks for one more when a code is added. */
const WAYS_TO_FAIL: Record<FardelErrorCode, () => Promise<FardelError | undefined>> = {
  aborted: async () => {
    const stage = await Stage.open();
    const controller = new AbortController();
    const sending = stage.send("a", bytesOf(5000), { signal: controller.signal });
    await stage.pass(0.004);
    controller.abort("enough");
    await stage.settle([sending]);
    expect(sending.error?.cause).toBe("enough");
    return sending.error;
  },
  damaged: async () => {
    const stage = await Stage.open();
    const resealer = new Resealer();
    stage.passes = (datagram) => {
      resealer.learn(datagram);
      return datagram.bytes.length === 250 ? resealer.damage(datagram, 6) : datagram.bytes;
    };
    return errorOf(stage, stage.send("a", bytesOf(2000)));
  },
  "deadline-passed": async () => {
    const stage = await Stage.open({ medium: { loss: 1 } });
    return errorOf(stage, stage.send("a", bytesOf(9), { deadlineMs: 50 }));
  },
  "endpoint-closed": async () => {
    const stage = await Stage.open({ medium: { loss: 1 } });
    const sending = stage.send("a", bytesOf(9));
    stage.a.peer(stage.addressOf("b")).close();
    return errorOf(stage, sending);
  },
  "invalid-option": async () => {
    const stage = await Stage.open();
    return errorOf(stage, stage.send("a", bytesOf(9), { channel: 77 }));
  },
  "link-failed": async () => {
    const link: Link = new HandLink(new VirtualClock());
    link.open = () => Promise.reject(new Error("No such port."));
    return Endpoint.open({ link }).then(
      () => undefined,
      (error: FardelError) => error,
    );
  },
  "message-too-large": async () => {
    const stage = await Stage.open({ a: { sendQueueBytesMax: 1000 } });
    return errorOf(stage, stage.send("a", bytesOf(1001)));
  },
  "not-answered": async () => {
    const stage = await Stage.open();
    const asked = stage.a.peer(stage.addressOf("b")).request(bytesOf(9), { deadlineMs: 500 });
    return errorOf(stage, stage.watch(asked));
  },
  "peer-closed": async () => {
    const stage = await Stage.open();
    await stage.settle([stage.send("a", bytesOf(9))]);
    const sending = stage.send("a", bytesOf(9000));
    await stage.pass(0.005);
    stage.b.peer(stage.addressOf("a")).close();
    return errorOf(stage, sending);
  },
  "peer-revoked": async () => {
    const protection: Protection = { keysFor: () => "revoked", noteRight() {}, watch() {} };
    const stage = await Stage.open({ a: { protection } });
    return errorOf(stage, stage.send("a", bytesOf(9)));
  },
  "peer-restarted": async () => {
    const stage = await Stage.open();
    await stage.settle([stage.send("a", bytesOf(9))]);
    await stage.pass(5);
    await stage.boot("b");
    return errorOf(stage, stage.send("a", bytesOf(9)));
  },
  "peer-unreachable": async () => {
    const stage = await Stage.open({ medium: { loss: 1 } });
    return errorOf(stage, stage.send("a", bytesOf(9)));
  },
  "queue-full": async () => {
    const stage = await Stage.open({ a: { sendQueueMessagesMax: 1 } });
    stage.send("a", bytesOf(9));
    return errorOf(stage, stage.send("a", bytesOf(9)));
  },
  "refused-by-peer": async () => {
    const stage = await Stage.open({ b: { accept: () => "refuse" } });
    return errorOf(stage, stage.send("a", bytesOf(9)));
  },
  "request-failed": async () => {
    const stage = await Stage.open();
    void stage.b
      .requests()
      .next()
      .then(({ value }) => value.fail("the valve is stuck."));
    const asked = stage.a.peer(stage.addressOf("b")).request(bytesOf(9));
    const error = await errorOf(stage, stage.watch(asked));
    expect(error?.message).toContain("the valve is stuck.");
    return error;
  },
  "sender-gave-up": async () => {
    const stage = await Stage.open({ b: { accept: () => "stream" } });
    const controller = new AbortController();
    const read = stage.b
      .streams()
      .next()
      .then(async ({ value }) => {
        for await (const _ of value) stage.clock.wakeWaiters();
      });
    stage.send("a", bytesOf(9000), { signal: controller.signal });
    const reading = stage.watch(read);
    await stage.pass(0.02);
    controller.abort();
    return errorOf(stage, reading);
  },
};

async function errorOf(stage: Stage, sending: Sending): Promise<FardelError | undefined> {
  await stage.settle([sending], 700);
  return sending.error;
}

describe("every error code", () => {
  for (const [code, fail] of Object.entries(WAYS_TO_FAIL)) {
    it(`${code} is reached, and says what to do`, async () => {
      const error = await fail();
      expect(error).toBeInstanceOf(FardelError);
      expect(error?.code).toBe(code);
      expect(error?.message).toMatch(/^[A-Z].*\.$/s);
    });
  }
});
