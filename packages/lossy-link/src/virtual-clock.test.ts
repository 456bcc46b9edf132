import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { LossyLinkError } from "./errors.js";
import { VirtualClock } from "./virtual-clock.js";

describe("timers", () => {
  it("run in the order of their instants, those of one instant in the order of setting", () => {
    fc.assert(
      fc.property(fc.array(fc.nat(10)), (instants) => {
        const clock = new VirtualClock();
        const ran: [number, number][] = [];
        for (const [index, atUs] of instants.entries()) {
          clock.setTimer(atUs, () => ran.push([clock.nowUs(), index]));
        }
        clock.runSync();
        const expected = instants.map((atUs, index): [number, number] => [atUs, index]);
        expect(ran).toEqual(expected.sort((a, b) => a[0] - b[0] || a[1] - b[1]));
      }),
    );
  });

  it("in the past run now, but not from inside setTimer and after what is due already", () => {
    const clock = new VirtualClock();
    const ran: string[] = [];
    clock.setTimer(100, () => {
      clock.setTimer(100, () => ran.push("due already"));
      clock.setTimer(3, () => ran.push(`past, at ${clock.nowUs()}`));
      ran.push("first");
    });
    clock.runSync();
    expect(ran).toEqual(["first", "due already", "past, at 100"]);
  });

  it("can be cleared, also twice, also when they have run", () => {
    const clock = new VirtualClock();
    const ran: number[] = [];
    const early = clock.setTimer(1, () => ran.push(1));
    const cleared = clock.setTimer(2, () => ran.push(2));
    clock.clearTimer(cleared);
    clock.clearTimer(cleared);
    clock.setTimer(3, () => {
      clock.clearTimer(early);
      ran.push(3);
    });
    clock.setTimer(4, () => ran.push(4));
    clock.clearTimer(undefined);
    expect(clock.timerCount).toBe(3);
    expect(clock.runSync()).toBe("idle");
    expect(ran).toEqual([1, 3, 4]);
  });

  it("are refused at no instant at all", () => {
    const clock = new VirtualClock();
    for (const atUs of [Number.NaN, 0.5, Number.POSITIVE_INFINITY, -1.5]) {
      expect(() => clock.setTimer(atUs, () => undefined)).toThrow(LossyLinkError);
    }
    expect(clock.timerCount).toBe(0);
  });
});

describe("runSync", () => {
  it("stops at an instant, with what is due then done, and time there", () => {
    const clock = new VirtualClock();
    const ran: number[] = [];
    for (const atUs of [10, 20, 30]) clock.setTimer(atUs, () => ran.push(atUs));
    expect(clock.runSync(20)).toBe("time");
    expect(ran).toEqual([10, 20]);
    expect(clock.runSync(25)).toBe("time");
    expect(clock.nowUs()).toBe(25);
    expect(clock.runSync(100)).toBe("idle");
    expect(clock.nowUs()).toBe(100);
    // An instant that has passed changes nothing.
    expect(clock.runSync(50)).toBe("idle");
    expect(clock.nowUs()).toBe(100);
  });

  it("stops at the last event when no instant is given", () => {
    const clock = new VirtualClock();
    clock.setTimer(7, () => undefined);
    expect(clock.runSync()).toBe("idle");
    expect(clock.nowUs()).toBe(7);
  });

  it("passes on what a timer throws and can go on", () => {
    const clock = new VirtualClock();
    const ran: number[] = [];
    clock.setTimer(1, () => {
      throw new Error("from a timer");
    });
    clock.setTimer(2, () => ran.push(2));
    expect(() => clock.runSync()).toThrow("from a timer");
    expect(clock.runSync()).toBe("idle");
    expect(ran).toEqual([2]);
  });

  it("is refused from inside a run", async () => {
    const clock = new VirtualClock();
    const codes: string[] = [];
    clock.setTimer(1, () => {
      try {
        clock.runSync();
      } catch (error) {
        codes.push((error as LossyLinkError).code);
      }
    });
    clock.runSync();
    const running = clock.run();
    await expect(clock.run()).rejects.toMatchObject({ code: "clock-running" });
    await running;
    expect(codes).toEqual(["clock-running"]);
  });
});

describe("run", () => {
  it("lets a chain of 20 promises run before time moves on", async () => {
    const clock = new VirtualClock();
    const seen: number[] = [];
    const deep = async (depth: number): Promise<void> => {
      if (depth > 0) await deep(depth - 1);
      await null;
      seen.push(clock.nowUs());
    };
    clock.setTimer(100, () => {
      void deep(20);
      clock.wakeWaiters();
    });
    clock.setTimer(101, () => seen.push(-1));
    expect(await clock.run()).toBe("idle");
    expect(seen).toEqual([...new Array(21).fill(100), -1]);
  });

  it("does not give way between events that wake nobody", async () => {
    const clock = new VirtualClock();
    const order: string[] = [];
    clock.setTimer(1, () => {
      void Promise.resolve().then(() => order.push("waiter"));
    });
    clock.setTimer(2, () => order.push("event"));
    await clock.run();
    expect(order).toEqual(["event", "waiter"]);
  });

  it("lets code run first that waited before the run", async () => {
    const clock = new VirtualClock();
    const order: string[] = [];
    clock.setTimer(0, () => order.push("event"));
    void Promise.resolve()
      .then(() => undefined)
      .then(() => order.push("waiter"));
    await clock.run();
    expect(order).toEqual(["waiter", "event"]);
  });

  it("is not idle while those who wait set new timers, even unannounced", async () => {
    const clock = new VirtualClock();
    let last = 0;
    const program = async (): Promise<void> => {
      for (let round = 0; round < 50; round++) await clock.delay(10);
      // Nobody calls wakeWaiters for this one.
      await new Promise<void>((resolve) => clock.setTimer(clock.nowUs() + 1, resolve));
      await clock.delay(10);
      last = clock.nowUs();
    };
    void program();
    expect(await clock.run()).toBe("idle");
    expect(last).toBe(511);
  });

  it("runs two programs side by side in the order of time", async () => {
    const clock = new VirtualClock();
    const seen: string[] = [];
    const program = async (name: string, periodUs: number): Promise<void> => {
      for (let round = 0; round < 4; round++) {
        await clock.delay(periodUs);
        seen.push(`${name}${clock.nowUs()}`);
      }
    };
    void program("a", 30);
    void program("b", 20);
    await clock.run();
    expect(seen).toEqual(["b20", "a30", "b40", "a60", "b60", "b80", "a90", "a120"]);
  });

  it("stops when the predicate holds: at the start, after an event, after waiters", async () => {
    const clock = new VirtualClock();
    expect(await clock.run({ until: () => true })).toBe("until");
    let events = 0;
    for (let atUs = 1; atUs <= 9; atUs++) clock.setTimer(atUs, () => events++);
    expect(await clock.run({ until: () => events === 4 })).toBe("until");
    expect(clock.nowUs()).toBe(4);
    let told = false;
    void clock.delay(1).then(() => {
      told = true;
    });
    expect(await clock.run({ until: () => told })).toBe("until");
    expect(clock.nowUs()).toBe(5);
    expect(events).toBe(5);
  });

  it("stops at an instant, and says whether more was to come", async () => {
    const clock = new VirtualClock();
    clock.setTimer(10, () => undefined);
    clock.setTimer(30, () => undefined);
    expect(await clock.run({ untilUs: 20 })).toBe("time");
    expect(clock.nowUs()).toBe(20);
    expect(await clock.run({ untilUs: 40, until: () => false })).toBe("idle");
    expect(clock.nowUs()).toBe(40);
  });

  it("passes on what a timer or the predicate throws, and can go on", async () => {
    const clock = new VirtualClock();
    clock.setTimer(1, () => {
      throw new Error("from a timer");
    });
    await expect(clock.run()).rejects.toThrow("from a timer");
    const until = (): boolean => {
      throw new Error("from the predicate");
    };
    await expect(clock.run({ until })).rejects.toThrow("from the predicate");
    expect(await clock.run()).toBe("idle");
  });

  it("refuses an end that is no instant", async () => {
    const clock = new VirtualClock();
    await expect(clock.run({ untilUs: Number.NaN })).rejects.toMatchObject({ code: "bad-integer" });
    expect(() => clock.runSync(-1)).toThrow(LossyLinkError);
    expect(() => clock.delay(0.5)).toThrow(LossyLinkError);
  });
});
