import { Endpoint, SESSIONLESS_KIND } from "@fardel/core";
import { describe, expect, it } from "vitest";
import { encodeAnnounce } from "./announce-body.js";
import { ANSWERS_IN_A_ROW, ANSWERS_PER_SECOND } from "./announcer.js";
import { discover } from "./discover.js";
import type { Found } from "./found-table.js";
import { searchHiddenBoards } from "./hidden-air.js";
import { openOrchard, searchOrchard } from "./orchard.js";
import { encodeQuery } from "./query-body.js";
import { ROW_STATION } from "./sample-announcement.js";

const SECOND_US = 1_000_000;

describe("all boards of a medium with contention, collisions and a loss of 0.1", () => {
  it.each([
    { boards: 1, seeds: 20, foundS: 2, endS: 4, airtimeS: 0.02 },
    { boards: 20, seeds: 20, foundS: 3, endS: 5, airtimeS: 0.1 },
    { boards: 200, seeds: 3, foundS: 6, endS: 9, airtimeS: 0.8 },
    { boards: 500, seeds: 1, foundS: 13, endS: 16, airtimeS: 3 },
  ])(
    "$boards are found within $foundS s, with $airtimeS s of airtime at most",
    async ({ boards, seeds, foundS, endS, airtimeS }) => {
      for (let seed = 1; seed <= seeds; seed++) {
        const result = await searchOrchard({ boards, loss: 0.1, seed });
        expect(result.found).toBe(boards);
        expect(result.foundUs).toBeLessThan(foundS * SECOND_US);
        expect(result.endUs).toBeLessThan(endS * SECOND_US);
        expect(result.airtimeUs).toBeLessThan(airtimeS * SECOND_US);
      }
    },
  );
});

describe("all boards of an air on which none hears another", () => {
  it.each([
    { boards: 20, seeds: 50, foundS: 5, airtimeS: 0.1 },
    { boards: 200, seeds: 10, foundS: 11, airtimeS: 1 },
    { boards: 500, seeds: 4, foundS: 20, airtimeS: 3 },
  ])(
    "$boards are found within $foundS s at a loss of 0.1",
    ({ boards, seeds, foundS, airtimeS }) => {
      for (let seed = 1; seed <= seeds; seed++) {
        const result = searchHiddenBoards(boards, 0.1, seed);
        expect(result.found).toBe(boards);
        expect(result.foundUs).toBeLessThan(foundS * SECOND_US);
        expect(result.airtimeUs).toBeLessThan(airtimeS * SECOND_US);
      }
    },
  );

  it("are rarely missed: one in a thousand boards at a loss of 0.1, one in twenty at 0.3", () => {
    for (const [loss, shareMax] of [
      [0.1, 0.001],
      [0.3, 0.05],
    ] as const) {
      let missed = 0;
      for (let seed = 1; seed <= 2000; seed++)
        missed += 2 - searchHiddenBoards(2, loss, seed).found;
      expect(missed / 4000).toBeLessThan(shareMax);
    }
  });
});

describe("a flood of announcements by a stranger", () => {
  it("costs bounded memory, and ends in time; boards are found all the same", async () => {
    const { clock, medium, random, gateway } = await openOrchard({ boards: 5 });
    const { body } = encodeAnnounce({ ...ROW_STATION, name: "stranger" }, 246);
    const names = new Set<string>();
    const onFound = ({ name }: Found) => names.add(name);
    const limits = { foundMax: 50, durationUs: 10 * SECOND_US };
    const discovery = discover(gateway, { clock, random, onFound, ...limits });
    let foundMost = 0;
    let addresses = 0;
    const step = async () => {
      // Each time from another address.
      const address = Uint8Array.of(6, 0, 0, 0, addresses >> 8, addresses++ & 0xff);
      const endpoint = await Endpoint.open({ link: medium.attach({ address }), clock });
      const { send, broadcastAddress } = endpoint.sessionless(SESSIONLESS_KIND.announce, () => {});
      await send(broadcastAddress!, body);
      await endpoint.close();
      foundMost = Math.max(foundMost, discovery.found().length);
    };
    let all: Found[] | undefined;
    void discovery.all().then((found) => {
      all = found;
    });
    const flood = async () => {
      while (all === undefined) await step();
    };
    void flood();
    await clock.run({ until: () => all !== undefined });
    expect(clock.nowUs()).toBe(12 * SECOND_US);
    expect(addresses).toBeGreaterThan(5000);
    expect(foundMost).toBe(50);
    expect(all).toHaveLength(50);
    expect([...names].sort()).toEqual(["row 0", "row 1", "row 2", "row 3", "row 4", "stranger"]);
  });

  it("leaves a slow reader no more than the limit", async () => {
    const { clock, random, gateway } = await openOrchard({ boards: 30, loss: 0 });
    const discovery = discover(gateway, { clock, random, foundMax: 10, durationUs: 5 * SECOND_US });
    await clock.run({ untilUs: 20 * SECOND_US });
    const read: string[] = [];
    for await (const { name } of discovery) read.push(name);
    expect(new Set(read).size).toBe(10);
    expect(read).toHaveLength(10);
  });
});

describe("a storm of queries by a stranger", () => {
  it("makes a board send no more than the rate limit, and needs no memory", async () => {
    const { clock, medium, gateway, boards } = await openOrchard({ boards: 1, loss: 0 });
    const queries = gateway.sessionless(SESSIONLESS_KIND.query, () => {});
    const { link } = boards[0]!;
    const before = link.statistics.outcomes.acknowledged;
    const map = new Uint8Array(0);
    for (let id = 0; id < 2000; id++) {
      const query = { id, spreadMs: 0, pairingOnly: false, kind: "", prefix: map, map };
      void queries.send(queries.broadcastAddress!, encodeQuery(query));
      await clock.run({ untilUs: clock.nowUs() + 5000 });
    }
    const answers = link.statistics.outcomes.acknowledged - before;
    expect(answers).toBeGreaterThan(40);
    expect(answers).toBeLessThanOrEqual(ANSWERS_IN_A_ROW + 10 * ANSWERS_PER_SECOND);
    expect(medium.statistics.refused.datagrams).toBe(0);
  });

  it("of long spreads does not keep a board from answering others", async () => {
    const { clock, random, gateway, boards } = await openOrchard({ boards: 2, loss: 0 });
    const map = new Uint8Array(0);
    const queries = boards[1]!.endpoint.sessionless(SESSIONLESS_KIND.query, () => {});
    boards[1]!.announcing.close();
    let id = 0;
    const ask = () => {
      const query = { id: id++, spreadMs: 65_535, pairingOnly: false, kind: "", prefix: map, map };
      void queries.send(queries.broadcastAddress!, encodeQuery(query));
      clock.wakeWaiters();
      if (id < 1000) clock.setTimer(clock.nowUs() + 20_000, ask);
    };
    ask();
    let foundUs = 0;
    const startUs = clock.nowUs();
    const onFound = () => {
      foundUs = clock.nowUs() - startUs;
    };
    const discovery = discover(gateway, { clock, random, onFound });
    await clock.run({ untilUs: startUs + 3 * SECOND_US });
    expect(discovery.found()).toHaveLength(1);
    expect(foundUs).toBeLessThan(200_000);
  });
});
