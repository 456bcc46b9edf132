import { Endpoint } from "@fardel/core";
import { Medium, presets, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { PairingError } from "../pairing-error.js";
import { announce } from "./announce.js";
import { discover } from "./discover.js";
import type { DiscoverOptions } from "./discover-options.js";
import type { Discovery } from "./discovery.js";
import type { Found } from "./found-table.js";
import { type Orchard, openOrchard } from "./orchard.js";
import { boardAddress } from "./sample-announcement.js";

const SECOND_US = 1_000_000;

/** Runs the clock until the search is over. */
async function finish(clock: VirtualClock, discovery: Discovery): Promise<Found[]> {
  let isOver = false;
  const all = discovery.all().finally(() => {
    isOver = true;
  });
  all.catch(() => {});
  await clock.run({ until: () => isOver, untilUs: clock.nowUs() + 100 * SECOND_US });
  expect(isOver).toBe(true);
  return all;
}

async function namesOf({ clock, random, gateway }: Orchard, options: DiscoverOptions) {
  const all = await finish(clock, discover(gateway, { clock, random, ...options }));
  return all.map(({ name }) => name).sort();
}

describe("discover", () => {
  it("gives each board once, as it is found, and then ends", async () => {
    const { clock, random, gateway } = await openOrchard({ boards: 3, loss: 0 });
    const found: string[] = [];
    const startUs = clock.nowUs();
    let isOver = false;
    void (async () => {
      for await (const { name, kind, address, announcement } of discover(gateway, {
        clock,
        random,
      })) {
        found.push(name);
        expect(kind).toBe("row-station");
        expect(address).toEqual(boardAddress(Number(name.slice(4))));
        expect(announcement).toMatchObject({
          version: 1,
          mtuBytes: 250,
          window: 64,
          takesPlainSessions: true,
          isInPairingMode: false,
        });
      }
      isOver = true;
    })();
    await clock.run({ until: () => isOver });
    expect(found.sort()).toEqual(["row 0", "row 1", "row 2"]);
    expect(clock.nowUs() - startUs).toBeLessThan(4 * SECOND_US);
    // Nothing goes on behind its back.
    const endUs = clock.nowUs();
    expect(await clock.run()).toBe("idle");
    expect(clock.nowUs() - endUs).toBeLessThan(SECOND_US / 2);
  });

  it("finds by kind, by the beginning of the name, and in pairing mode only", async () => {
    const orchard = await openOrchard({
      boards: 4,
      loss: 0,
      facts: (number) => ({ kind: number < 2 ? "row-station" : "fan", name: `N${number}` }),
    });
    expect(await namesOf(orchard, { kind: "fan" })).toEqual(["N2", "N3"]);
    expect(await namesOf(orchard, { namePrefix: "N1" })).toEqual(["N1"]);
    expect(await namesOf(orchard, { kind: "fan", namePrefix: "N1" })).toEqual([]);
    orchard.boards[3]!.announcing.startPairingMode(["code", "compare"]);
    const { clock, random, gateway } = orchard;
    const [found, ...others] = await finish(
      clock,
      discover(gateway, { pairingOnly: true, clock, random }),
    );
    expect(others).toEqual([]);
    expect(found?.announcement).toMatchObject({ name: "N3", ways: ["code", "compare"] });
    orchard.boards[3]!.announcing.endPairingMode();
    expect(await namesOf(orchard, { pairingOnly: true })).toEqual([]);
  });

  it("hears boards in pairing mode without asking", async () => {
    const { clock, random, gateway, gatewayLink, boards } = await openOrchard({
      boards: 2,
      loss: 0,
    });
    boards[1]!.announcing.startPairingMode(["cable"]);
    const before = gatewayLink.statistics.outcomes.sent;
    const discovery = discover(gateway, { clock, random, mode: "listen", durationUs: SECOND_US });
    expect((await finish(clock, discovery)).map(({ name }) => name)).toEqual(["row 1"]);
    expect(gatewayLink.statistics.outcomes.sent).toBe(before);
    expect(clock.nowUs()).toBe(3 * SECOND_US);
  });

  it("listens on after it has asked, if it is told to", async () => {
    const { clock, random, gateway, boards } = await openOrchard({ boards: 2, loss: 0 });
    boards[0]!.announcing.close();
    const options = { mode: "ask-and-listen", durationUs: 10 * SECOND_US } as const;
    const discovery = discover(gateway, { clock, random, ...options });
    await clock.run({ untilUs: 9 * SECOND_US });
    expect(discovery.found().map(({ name }) => name)).toEqual(["row 1"]);
    announce(boards[0]!.endpoint, { name: "late", clock, random });
    expect((await finish(clock, discovery)).map(({ name }) => name)).toEqual(["row 1", "late"]);
    expect(clock.nowUs()).toBe(12 * SECOND_US);
  });

  it("ends when it is stopped, aborted, or its reader leaves; what was found counts", async () => {
    const { clock, random, gateway } = await openOrchard({ boards: 3, loss: 0 });
    const abort = new AbortController();
    const options = { clock, random, mode: "ask-and-listen" } as const;
    const aborted = discover(gateway, { ...options, signal: abort.signal });
    const stopped = discover(gateway, options);
    const left = discover(gateway, options);
    void (async () => {
      for await (const _ of left) break;
    })();
    await clock.run({ untilUs: 4 * SECOND_US });
    abort.abort();
    stopped.stop();
    stopped.stop();
    for (const discovery of [aborted, stopped]) expect(await discovery.all()).toHaveLength(3);
    expect((await left.all()).length).toBeGreaterThan(0);
    expect(await discover(gateway, { ...options, signal: abort.signal }).all()).toEqual([]);
    expect(clock.nowUs()).toBe(4 * SECOND_US);
    expect(clock.timerCount).toBe(0);
  });

  it("fails when the endpoint is closed", async () => {
    const { clock, random, gateway } = await openOrchard({ boards: 1, loss: 0 });
    const discovery = discover(gateway, { clock, random });
    await gateway.close();
    await expect(finish(clock, discovery)).rejects.toMatchObject({ code: "endpoint-closed" });
    await expect(discovery[Symbol.asyncIterator]().next()).rejects.toBeInstanceOf(PairingError);
  });

  it("does not break when the caller's function throws", async () => {
    const { clock, random, gateway } = await openOrchard({ boards: 2, loss: 0 });
    const uncaught: unknown[] = [];
    const note = (error: unknown) => uncaught.push(error);
    const others = process.listeners("uncaughtException");
    process.removeAllListeners("uncaughtException");
    process.on("uncaughtException", note);
    const onFound = () => {
      throw new Error("of the caller");
    };
    const all = await finish(clock, discover(gateway, { clock, random, onFound }));
    process.off("uncaughtException", note);
    for (const listener of others) process.on("uncaughtException", listener);
    expect(all).toHaveLength(2);
    expect(uncaught).toMatchObject([{ message: "of the caller" }, { message: "of the caller" }]);
  });

  it("goes on when the radio was off for a while", async () => {
    const { clock, random, gateway, gatewayLink } = await openOrchard({ boards: 2, loss: 0 });
    gatewayLink.restartRadio(3 * SECOND_US);
    expect(await finish(clock, discover(gateway, { clock, random }))).toHaveLength(2);
  });

  it.each([
    [{ kind: "a".repeat(17) }, "kind"],
    [{ namePrefix: "ü".repeat(17) }, "namePrefix"],
    [{ durationUs: 0 }, "durationUs"],
    [{ foundMax: 0 }, "foundMax"],
    [{ mode: "look" as "ask" }, "mode"],
    [{ channels: [1] }, "setChannel"],
    [{ channels: [1], setChannel: () => {} }, "homeChannel"],
    [{ channels: [], setChannel: () => {}, homeChannel: 1 }, "channels"],
    [{ channels: [-1], setChannel: () => {}, homeChannel: 1 }, "channels"],
    [{ channels: [1], setChannel: () => {}, homeChannel: 1.5 }, "homeChannel"],
  ])("refuses %j", async (options, name) => {
    const { gateway } = await openOrchard({ boards: 0 });
    expect(() => discover(gateway, options)).toThrow(new RegExp(`^Option ${name}: `));
  });

  it("refuses to ask where nobody can be reached all at once", async () => {
    const { clock, gateway } = await openOrchard({ boards: 0, broadcastAddress: null });
    expect(() => discover(gateway, { clock })).toThrow(/only listen works/);
    discover(gateway, { clock, mode: "listen" }).stop();
  });
});

describe("discover on several radio channels", () => {
  const radioChannel = (number: number) => [1, 6, 11][number % 3]!;

  async function openThree() {
    const orchard = await openOrchard({ boards: 6, loss: 0, radioChannel });
    const visited: number[] = [];
    const setChannel = async (channel: number) => {
      await Promise.resolve();
      visited.push(channel);
      orchard.gatewayLink.setRadioChannel(channel);
      orchard.clock.wakeWaiters();
    };
    const { clock, random } = orchard;
    const plan = { channels: [6, 11, 1, 6], setChannel, homeChannel: 1, clock, random };
    return { ...orchard, visited, plan };
  }

  it("visits each once, says where each board is, and goes back", async () => {
    const { clock, gateway, gatewayLink, visited, plan } = await openThree();
    const all = await finish(clock, discover(gateway, plan));
    expect(all.map(({ name, channel }) => `${name} ${channel}`).sort()).toEqual([
      "row 0 1",
      "row 1 6",
      "row 2 11",
      "row 3 1",
      "row 4 6",
      "row 5 11",
    ]);
    expect(visited).toEqual([6, 11, 1, 1]);
    expect(gatewayLink.radioChannel).toBe(1);
  });

  it("says which one it set, where the link does not tell", async () => {
    const { clock, random, gateway } = await openOrchard({ boards: 1, loss: 0 });
    const plan = { channels: [6], setChannel: () => {}, homeChannel: 1 };
    const [found] = await finish(clock, discover(gateway, { ...plan, clock, random }));
    expect(found?.channel).toBe(6);
    const [other] = await finish(clock, discover(gateway, { clock, random }));
    expect(other).not.toHaveProperty("channel");
  });

  it("shares its time between them", async () => {
    const { clock, gateway, visited, plan } = await openThree();
    const options = { ...plan, mode: "listen", durationUs: 9 * SECOND_US } as const;
    const discovery = discover(gateway, options);
    await clock.run({ untilUs: 5 * SECOND_US - 1 });
    expect(visited).toEqual([6]);
    await clock.run({ untilUs: 8 * SECOND_US - 1 });
    expect(visited).toEqual([6, 11]);
    await finish(clock, discovery);
    expect(clock.nowUs()).toBe(11 * SECOND_US);
  });

  it("goes back when it is stopped on the way", async () => {
    const { clock, gateway, visited, plan } = await openThree();
    const discovery = discover(gateway, plan);
    await clock.run({ untilUs: 2 * SECOND_US + 500_000 });
    discovery.stop();
    expect((await finish(clock, discovery)).length).toBe(2);
    expect(visited).toEqual([6, 1]);
  });

  it("goes back when a channel cannot be set, and fails with that error", async () => {
    const { clock, gateway, visited, plan } = await openThree();
    const setChannel = async (channel: number) => {
      if (channel === 11) throw new Error("not allowed here");
      await plan.setChannel(channel);
    };
    const discovery = discover(gateway, { ...plan, setChannel });
    await expect(finish(clock, discovery)).rejects.toThrow("not allowed here");
    expect(visited).toEqual([6, 1]);
    expect(discovery.found()).toHaveLength(2);
  });

  it("goes back when the endpoint is closed meanwhile", async () => {
    const { clock, gateway, visited, plan } = await openThree();
    const setChannel = async (channel: number) => {
      visited.push(channel);
    };
    const discovery = discover(gateway, { ...plan, setChannel });
    await clock.run({ untilUs: 2 * SECOND_US + 100_000 });
    await gateway.close();
    await expect(finish(clock, discovery)).rejects.toMatchObject({ code: "endpoint-closed" });
    expect(visited).toEqual([6, 1]);
  });
});

describe("announce", () => {
  it("tells everybody within a second, then keeps silent until it is asked", async () => {
    const { clock, medium } = await openOrchard({ boards: 1, loss: 0 });
    expect(medium.statistics.carried.datagrams).toBe(1);
    await clock.run({ untilUs: 100 * SECOND_US });
    expect(medium.statistics.carried.datagrams).toBe(1);
  });

  it("tells what it is told, from then on", async () => {
    const orchard = await openOrchard({ boards: 1, loss: 0 });
    const { announcing } = orchard.boards[0]!;
    announcing.update({ name: "row 9", messageBytesMax: 500 });
    expect(announcing.announcement).toMatchObject({ kind: "row-station", messageBytesMax: 500 });
    expect(await namesOf(orchard, {})).toEqual(["row 9"]);
    expect(() => announcing.update({ name: "a".repeat(33) })).toThrow("33 bytes");
    announcing.announceSoon();
    const { clock, random, gateway } = orchard;
    const listening = discover(gateway, { mode: "listen", durationUs: SECOND_US, clock, random });
    expect((await finish(clock, listening)).map(({ name }) => name)).toEqual(["row 9"]);
  });

  it("is heard and answers no more after close, and sets no timers", async () => {
    const orchard = await openOrchard({ boards: 1, loss: 0 });
    const { announcing } = orchard.boards[0]!;
    announcing.startPairingMode(["code"]);
    announcing.close();
    announcing.close();
    announcing.startPairingMode(["code"]);
    announcing.announceSoon();
    expect(orchard.clock.timerCount).toBe(0);
    expect(await namesOf(orchard, {})).toEqual([]);
  });

  it("stops by itself when its endpoint is closed", async () => {
    const { clock, boards } = await openOrchard({ boards: 1, loss: 0 });
    boards[0]!.announcing.startPairingMode(["code"]);
    await boards[0]!.endpoint.close();
    expect(await clock.run({ untilUs: 10 * SECOND_US })).toBe("idle");
  });

  it("needs to know the board's address", async () => {
    const clock = new VirtualClock();
    const medium = new Medium({ ...presets.contention(), clock });
    const { localAddress, ...link } = linkParts(medium);
    const endpoint = await Endpoint.open({ link, clock });
    expect(() => announce(endpoint, { clock })).toThrow(/^Option address: /);
    announce(endpoint, { clock, address: localAddress }).close();
  });
});

/** A link that does not know its own address. */
function linkParts(medium: Medium) {
  const link = medium.attach({ address: boardAddress(1) });
  return {
    localAddress: link.localAddress,
    mtuBytes: link.mtuBytes,
    outstandingMax: link.outstandingMax,
    open: link.open.bind(link),
    send: link.send.bind(link),
    close: link.close.bind(link),
  };
}
