import { Random } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { type Announcement, encodeAnnounce } from "./announce-body.js";
import { decodeQuery, isInMap, type Query } from "./query-body.js";
import { boardAddress, ROW_STATION } from "./sample-announcement.js";
import { QUIET_QUERIES, Searcher, type SearcherOptions } from "./searcher.js";
import { adaptSpread } from "./spread.js";

const GRACE_US = 50_000;

function createSearcher(options: Partial<SearcherOptions> = {}): Searcher {
  const random = new Random("searcher");
  return new Searcher({
    bodyBytesMax: 246,
    foundMax: 512,
    random: () => random.uint32(),
    kind: "",
    namePrefix: "",
    pairingOnly: false,
    ...options,
  });
}

function hear(
  searcher: Searcher,
  number: number,
  nowUs = 0,
  more: Partial<Announcement> & { rssiDbm?: number; radioChannel?: number } = {},
) {
  const { rssiDbm, radioChannel, ...told } = more;
  const { body } = encodeAnnounce({ ...ROW_STATION, name: `row ${number}`, ...told }, 246);
  const info = {
    ...(rssiDbm !== undefined && { rssiDbm }),
    ...(radioChannel !== undefined && { radioChannel }),
  };
  return searcher.handleAnnouncement(boardAddress(number), body, info, nowUs);
}

function poll(searcher: Searcher, nowUs = 0): Query {
  const body = searcher.pollTransmit(nowUs);
  const query = body && decodeQuery(body);
  if (!query) throw new Error("The searcher did not ask.");
  return query;
}

describe("a search", () => {
  it("asks with a doubling spread, and has finished when five queries brought nobody new", () => {
    const searcher = createSearcher();
    expect(searcher.pollTransmit(0)).toBeUndefined();
    searcher.ask();
    let nowUs = 0;
    const spreads: number[] = [];
    const ids = new Set<number>();
    while (!searcher.isComplete) {
      const query = poll(searcher, nowUs);
      spreads.push(query.spreadMs);
      ids.add(query.id);
      nowUs += 700;
      searcher.handleSendOutcome(true, nowUs);
      // The second query brings a board; the third hears it again.
      if (spreads.length === 2) expect(hear(searcher, 1)).toBe("new");
      if (spreads.length === 3) expect(hear(searcher, 1)).toBe("known");
      expect(searcher.timeoutUs).toBe(nowUs + query.spreadMs * 1000 + GRACE_US);
      searcher.handleTimeout(searcher.timeoutUs - 1);
      expect(searcher.pollTransmit(nowUs)).toBeUndefined();
      nowUs = searcher.timeoutUs;
      searcher.handleTimeout(nowUs);
    }
    expect(spreads).toEqual([100, 200, 400, 400, 400, 400, 400]);
    expect(spreads).toHaveLength(2 + QUIET_QUERIES);
    expect(ids.size).toBe(spreads.length);
    expect(searcher.timeoutUs).toBe(Number.POSITIVE_INFINITY);
    expect(searcher.pollTransmit(nowUs)).toBeUndefined();
    // On another radio channel it begins anew.
    searcher.ask();
    expect(searcher.isComplete).toBe(false);
    let again = 0;
    while (!searcher.isComplete) {
      expect(poll(searcher, nowUs).spreadMs).toBe([100, 200][again] ?? 400);
      again++;
      searcher.handleSendOutcome(true, nowUs);
      nowUs = searcher.timeoutUs;
      searcher.handleTimeout(nowUs);
    }
    expect(again).toBe(QUIET_QUERIES);
  });

  it("puts those who were heard into the map, as far as it has room", () => {
    const searcher = createSearcher();
    searcher.ask();
    expect(poll(searcher).map).toHaveLength(0);
    for (const [count, bytes] of [
      [1, 4],
      [20, 80],
      [100, 236],
    ] as const) {
      for (let number = 0; number < count; number++) hear(searcher, number);
      searcher.ask();
      const query = poll(searcher);
      expect(query.map).toHaveLength(bytes);
      for (let number = 0; number < count; number++)
        expect(isInMap(query, boardAddress(number))).toBe(true);
    }
  });

  it("says whom it looks for, and passes over all others", () => {
    const filter = { kind: "row-station", namePrefix: "row 1", pairingOnly: true };
    const searcher = createSearcher(filter);
    searcher.ask();
    expect(poll(searcher)).toMatchObject({ kind: "row-station", pairingOnly: true });
    const isInPairingMode = true;
    expect(hear(searcher, 1, 0, { isInPairingMode })).toBe("new");
    expect(hear(searcher, 12, 0, { isInPairingMode })).toBe("new");
    expect(hear(searcher, 2, 0, { isInPairingMode })).toBe("passed-over");
    expect(hear(searcher, 13, 0, { isInPairingMode, kind: "fan" })).toBe("passed-over");
    expect(hear(searcher, 14, 0)).toBe("passed-over");
    expect(searcher.foundCount).toBe(2);
    // A board that has left pairing mode is no candidate any more.
    expect(hear(searcher, 1, 0)).toBe("passed-over");
    expect(searcher.found(0).map(({ name }) => name)).toEqual(["row 12"]);
  });

  it("filters by itself what does not fit in a query", () => {
    const searcher = createSearcher({
      bodyBytesMax: 16,
      kind: "row-station",
      namePrefix: "row 12",
    });
    searcher.ask();
    const query = poll(searcher);
    expect(query.kind).toBe("");
    expect(new TextDecoder().decode(query.prefix)).toBe("row 12");
    expect(hear(searcher, 12)).toBe("new");
    expect(hear(searcher, 12, 0, { kind: "fan" })).toBe("passed-over");
  });

  it("asks again soon when the link could not take the query, and does not count it as silence", () => {
    const searcher = createSearcher();
    searcher.ask();
    for (let round = 0; round < 2 * QUIET_QUERIES; round++) {
      expect(poll(searcher, round * 100_000).spreadMs).toBe(100);
      searcher.handleSendOutcome(false, round * 100_000);
      expect(searcher.timeoutUs).toBe((round + 1) * 100_000);
      searcher.handleTimeout(searcher.timeoutUs);
    }
    expect(searcher.isComplete).toBe(false);
  });

  it("goes on when the link says nothing at all", () => {
    const searcher = createSearcher();
    searcher.ask();
    poll(searcher);
    searcher.handleTimeout(searcher.timeoutUs);
    expect(searcher.timeoutUs).toBe(1_000_000 + 100_000 + GRACE_US);
  });
});

describe("the spread", () => {
  it("doubles up to 400 ms whatever comes", () => {
    for (const answers of [0, 3, 1000]) {
      expect(adaptSpread(100, answers)).toBe(200);
      expect(adaptSpread(200, answers)).toBe(400);
    }
  });

  it("then follows the answers, from 400 ms to 3.2 s", () => {
    expect([3, 4, 16, 17].map((answers) => adaptSpread(400, answers))).toEqual([
      400, 400, 400, 800,
    ]);
    expect([7, 8, 32, 33].map((answers) => adaptSpread(800, answers))).toEqual([
      400, 800, 800, 1600,
    ]);
    expect(adaptSpread(3200, 1000)).toBe(3200);
    expect(adaptSpread(1600, 0)).toBe(800);
  });

  it("counts boards that the map did not hold, not those that announce by themselves", () => {
    const searcher = createSearcher();
    for (let number = 0; number < 100; number++) hear(searcher, number);
    searcher.ask();
    let nowUs = 0;
    for (const expected of [100, 200, 400, 400]) {
      expect(poll(searcher, nowUs).spreadMs).toBe(expected);
      searcher.handleSendOutcome(true, nowUs);
      for (let number = 0; number < 100; number++) hear(searcher, number);
      nowUs = searcher.timeoutUs;
      searcher.handleTimeout(nowUs);
    }
  });
});

describe("what was heard", () => {
  it("is the last 15 signal strengths, none older than 10 s, and their median", () => {
    const searcher = createSearcher();
    for (let at = 0; at < 20; at++) hear(searcher, 1, at * 1_000_000, { rssiDbm: -at });
    const [found] = searcher.found(19_000_000);
    expect(found).toMatchObject({ name: "row 1", kind: "row-station", heardUs: 19_000_000 });
    expect(found?.rssiSamplesDbm).toEqual([-9, -10, -11, -12, -13, -14, -15, -16, -17, -18, -19]);
    expect(found?.rssiDbm).toBe(-14);
    for (let at = 0; at < 20; at++) hear(searcher, 1, 19_000_000, { rssiDbm: -50 });
    expect(searcher.found(19_000_000)[0]?.rssiSamplesDbm).toHaveLength(15);
    expect(searcher.found(29_000_001)[0]).not.toHaveProperty("rssiDbm");
  });

  it("has no median without a signal strength, and the middle of two", () => {
    const searcher = createSearcher();
    hear(searcher, 1);
    expect(searcher.find(boardAddress(1), 0)).not.toHaveProperty("rssiDbm");
    hear(searcher, 1, 0, { rssiDbm: -40 });
    hear(searcher, 1, 0, { rssiDbm: -51 });
    expect(searcher.find(boardAddress(1), 0)?.rssiDbm).toBe(-45.5);
    expect(searcher.find(boardAddress(2), 0)).toBeUndefined();
  });

  it("names the radio channel on which it was heard last", () => {
    const searcher = createSearcher();
    hear(searcher, 1);
    expect(searcher.find(boardAddress(1), 0)).not.toHaveProperty("channel");
    hear(searcher, 1, 0, { radioChannel: 6 });
    hear(searcher, 1);
    expect(searcher.find(boardAddress(1), 0)?.channel).toBe(6);
  });

  it("is a copy", () => {
    const searcher = createSearcher();
    hear(searcher, 1);
    searcher.found(0)[0]?.address.fill(0);
    expect(searcher.find(boardAddress(1), 0)?.address).toEqual(boardAddress(1));
  });

  it("is bounded: the one heard longest ago gives way", () => {
    const searcher = createSearcher({ foundMax: 3 });
    for (const number of [1, 2, 3, 1, 4]) hear(searcher, number);
    expect(searcher.found(0).map(({ name }) => name)).toEqual(["row 3", "row 1", "row 4"]);
    expect(hear(searcher, 2)).toBe("new");
  });

  it("never grows beyond its limit nor throws, whatever comes from whomever", () => {
    const heard = fc.record({
      from: fc.uint8Array({ maxLength: 7 }),
      body: fc.oneof(
        fc.uint8Array({ maxLength: 80 }),
        fc.constant(encodeAnnounce(ROW_STATION, 246).body),
      ),
    });
    fc.assert(
      fc.property(fc.array(heard, { maxLength: 60 }), (all) => {
        const searcher = createSearcher({ foundMax: 8 });
        for (const { from, body } of all) {
          searcher.handleAnnouncement(from, body, { rssiDbm: -40 }, 0);
          expect(searcher.foundCount).toBeLessThanOrEqual(8);
        }
      }),
    );
  });
});
