import { Random } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { decodeAnnounce } from "./announce-body.js";
import { ANSWERS_IN_A_ROW, ANSWERS_PER_SECOND, Announcer } from "./announcer.js";
import { encodeQuery, makeMap, type Query } from "./query-body.js";
import { boardAddress, ROW_STATION } from "./sample-announcement.js";
import { encodeText } from "./text.js";

const BOARD = boardAddress(7);
const GATEWAY = Uint8Array.of(2, 0, 0, 0, 0, 1);
const STRANGER = Uint8Array.of(2, 0, 0, 0, 0, 66);

/** A board with the draws that a test names, in turn; then the middle. */
class Board {
  readonly draws: number[] = [];
  readonly announcer: Announcer;

  constructor(announcement = ROW_STATION, nowUs = 0, bodyBytesMax = 246) {
    const random = () => this.draws.shift() ?? 0x8000_0000;
    this.announcer = new Announcer({ address: BOARD, bodyBytesMax, announcement, random }, nowUs);
  }

  hear(query: Partial<Query>, nowUs: number, from = GATEWAY): void {
    this.announcer.handleQuery(from, encodeQuery(queryOf(query)), nowUs);
  }

  /** Runs until then. @returns when something was sent, and to whom */
  sent(untilUs: number): { atUs: number; to: Uint8Array | undefined }[] {
    const all = [];
    let nowUs = 0;
    for (;;) {
      for (let out = this.announcer.pollTransmit(); out; out = this.announcer.pollTransmit())
        all.push({ atUs: nowUs, to: out.to });
      nowUs = this.announcer.timeoutUs;
      if (nowUs > untilUs) return all;
      this.announcer.handleTimeout(nowUs);
    }
  }
}

function queryOf(query: Partial<Query>): Query {
  const map = new Uint8Array(0);
  return { id: 1, spreadMs: 0, pairingOnly: false, kind: "", prefix: map, map, ...query };
}

function isAnswered(
  query: Partial<Query>,
  announcement = ROW_STATION,
  bodyBytesMax = 246,
): boolean {
  const board = new Board(announcement, 0, bodyBytesMax);
  board.hear(query, 1000);
  return board.announcer.pollTransmit() !== undefined;
}

describe("a board that is asked", () => {
  it("answers the one who asked, at a random time within the spread", () => {
    for (const [draw, atUs] of [
      [0, 1000],
      [0x8000_0000, 201_000],
      [0xffff_ffff, 401_000],
    ] as const) {
      const board = new Board();
      board.draws.push(draw);
      board.hear({ spreadMs: 400 }, 1000);
      expect(board.announcer.timeoutUs).toBe(draw === 0 ? Number.POSITIVE_INFINITY : atUs);
      board.announcer.handleTimeout(atUs - 1);
      if (draw > 0) expect(board.announcer.pollTransmit()).toBeUndefined();
      board.announcer.handleTimeout(atUs);
      const out = board.announcer.pollTransmit();
      expect(out?.to).toEqual(GATEWAY);
      expect(out && decodeAnnounce(out.body)).toEqual(ROW_STATION);
      expect(board.sent(10_000_000)).toEqual([]);
    }
  });

  it("spreads its answers evenly", () => {
    const random = new Random("spread");
    const quarters = [0, 0, 0, 0];
    for (let run = 0; run < 4000; run++) {
      const board = new Board();
      board.draws.push(random.uint32());
      board.hear({ spreadMs: 100 }, 0);
      const { timeoutUs } = board.announcer;
      quarters[Math.min(3, Math.floor(timeoutUs / 25_000))]!++;
    }
    // Binomial: four standard deviations are 110.
    for (const count of quarters) expect(Math.abs(count - 1000)).toBeLessThan(110);
  });

  it("answers if it is meant", () => {
    expect(isAnswered({})).toBe(true);
    expect(isAnswered({ kind: "row-station" })).toBe(true);
    expect(isAnswered({ kind: "row-statio" })).toBe(false);
    expect(isAnswered({ kind: "fan" })).toBe(false);
    expect(isAnswered({ prefix: encodeText("row") })).toBe(true);
    expect(isAnswered({ prefix: encodeText("row 7") })).toBe(true);
    expect(isAnswered({ prefix: encodeText("row 77") })).toBe(false);
    expect(isAnswered({ prefix: encodeText("ow") })).toBe(false);
    expect(isAnswered({ pairingOnly: true })).toBe(false);
    const isInPairingMode = true;
    expect(isAnswered({ pairingOnly: true }, { ...ROW_STATION, isInPairingMode })).toBe(true);
  });

  it("goes by the name as it is announced, where that is cut", () => {
    const cut = 8 + 12 + 4;
    expect(isAnswered({ prefix: encodeText("row") }, ROW_STATION, cut)).toBe(true);
    expect(isAnswered({ prefix: encodeText("row 7") }, ROW_STATION, cut)).toBe(false);
  });

  it("keeps silent if the map holds it", () => {
    const map = makeMap(5, [BOARD], 3);
    expect(isAnswered({ id: 5, map })).toBe(false);
    const others = map.map((byte) => ~byte & 0xff);
    expect(isAnswered({ id: 5, map: others })).toBe(true);
  });

  it("answers one query once", () => {
    const board = new Board();
    board.hear({ id: 9, spreadMs: 100 }, 0);
    const { timeoutUs } = board.announcer;
    // Again while the answer waits: it is not drawn anew.
    board.draws.push(0xffff_ffff);
    board.hear({ id: 9, spreadMs: 100 }, 10);
    expect(board.announcer.timeoutUs).toBe(timeoutUs);
    expect(board.sent(1_000_000)).toHaveLength(1);
    board.hear({ id: 9 }, 2_000_000);
    expect(board.sent(3_000_000)).toHaveLength(0);
    board.hear({ id: 9 }, 3_000_000, STRANGER);
    board.hear({ id: 10 }, 3_000_000);
    expect(board.sent(4_000_000)).toHaveLength(2);
  });

  it("has one answer waiting: of one asker the latest, of two the sooner", () => {
    const board = new Board();
    board.draws.push(0, 0xffff_ffff);
    board.hear({ id: 1, spreadMs: 100 }, 0);
    board.announcer.pollTransmit();
    board.hear({ id: 2, spreadMs: 100 }, 0);
    board.hear({ id: 3, spreadMs: 1000 }, 0);
    expect(board.announcer.timeoutUs).toBe(500_000);
    board.hear({ id: 4, spreadMs: 65_535 }, 0, STRANGER);
    expect(board.announcer.timeoutUs).toBe(500_000);
    board.hear({ id: 5, spreadMs: 200 }, 0, STRANGER);
    expect(board.sent(70_000_000)).toEqual([{ atUs: 100_000, to: STRANGER }]);
  });

  it("does not keep the array of the sender's address", () => {
    const board = new Board();
    const from = GATEWAY.slice();
    board.hear({ spreadMs: 10 }, 0, from);
    from.fill(0);
    expect(board.sent(1_000_000)[0]?.to).toEqual(GATEWAY);
  });
});

describe("a storm of queries", () => {
  it("gets eight answers in a row and four a second, whoever asks", () => {
    const board = new Board();
    let answers = 0;
    const perSecond: number[] = [];
    for (let second = 0; second < 20; second++) {
      const before = answers;
      for (let step = 0; step < 1000; step++) {
        const nowUs = second * 1_000_000 + step * 1000;
        const from = Uint8Array.of(2, 0, 0, 2, step >> 8, step & 0xff);
        board.hear({ id: second * 1000 + step }, nowUs, from);
        while (board.announcer.pollTransmit()) answers++;
      }
      perSecond.push(answers - before);
    }
    expect(perSecond[0]).toBe(ANSWERS_IN_A_ROW + ANSWERS_PER_SECOND - 1);
    for (const count of perSecond.slice(1)) expect(count).toBe(ANSWERS_PER_SECOND);
    // And after a pause it is as at first.
    let inARow = 0;
    for (let id = 0; id < 100; id++) {
      board.hear({ id }, 60_000_000);
      while (board.announcer.pollTransmit()) inARow++;
    }
    expect(inARow).toBe(ANSWERS_IN_A_ROW);
  });

  it("never makes more waiting than one answer and one announcement, whatever comes", () => {
    const step = fc.record({
      from: fc.uint8Array({ minLength: 1, maxLength: 6 }),
      body: fc.oneof(
        fc.uint8Array({ maxLength: 60 }),
        fc.nat(3).map((id) => encodeQuery(queryOf({ id, spreadMs: 50 }))),
      ),
      laterUs: fc.nat(100_000),
    });
    fc.assert(
      fc.property(fc.array(step, { maxLength: 60 }), (steps) => {
        const { announcer } = new Board({ ...ROW_STATION, isInPairingMode: true });
        let nowUs = 0;
        for (const { from, body, laterUs } of steps) {
          nowUs += laterUs;
          announcer.handleTimeout(nowUs);
          announcer.handleQuery(from, body, nowUs);
          let polled = 0;
          while (announcer.pollTransmit()) polled++;
          expect(polled).toBeLessThanOrEqual(3);
          expect(announcer.timeoutUs).toBeGreaterThan(nowUs);
        }
      }),
    );
  });
});

describe("announcements to everybody", () => {
  it("come once, within a second, when they are asked for", () => {
    const board = new Board();
    expect(board.sent(10_000_000)).toEqual([]);
    board.announcer.announceSoon(5_000_000);
    expect(board.sent(100_000_000)).toEqual([{ atUs: 5_500_000, to: undefined }]);
    board.draws.push(0xffff_ffff);
    board.announcer.announceSoon(0);
    expect(board.announcer.timeoutUs).toBe(1_000_000);
  });

  it("come although something was changed meanwhile", () => {
    const board = new Board();
    board.announcer.announceSoon(0);
    board.announcer.update({ ...ROW_STATION, name: "row 8" }, 100_000);
    expect(board.sent(10_000_000)).toEqual([{ atUs: 500_000, to: undefined }]);
  });

  it("go on in pairing mode, from half to one and a half times 400 ms apart", () => {
    const random = new Random("pairing mode");
    const board = new Board();
    board.draws.push(...Array.from({ length: 1000 }, () => random.uint32()));
    board.announcer.update({ ...ROW_STATION, isInPairingMode: true, ways: ["code"] }, 0);
    const times = board.sent(100_000_000).map(({ atUs }) => atUs);
    const gaps = times.map((atUs, at) => atUs - (times[at - 1] ?? 0));
    expect(Math.min(...gaps)).toBeGreaterThanOrEqual(200_000);
    expect(Math.max(...gaps)).toBeLessThanOrEqual(600_000);
    expect(Math.max(...gaps) - Math.min(...gaps)).toBeGreaterThan(350_000);
    expect(times.length).toBeGreaterThan(230);
    expect(times.length).toBeLessThan(270);
    board.announcer.update(ROW_STATION, 100_000_000);
    expect(board.announcer.timeoutUs).toBe(Number.POSITIVE_INFINITY);
  });

  it("tell the latest, and go on as before after a change that is refused", () => {
    const board = new Board({ ...ROW_STATION, isInPairingMode: true });
    const before = board.announcer.timeoutUs;
    expect(() => board.announcer.update({ ...ROW_STATION, window: 0 }, 0)).toThrow("window");
    expect(board.announcer.timeoutUs).toBe(before);
    expect(board.announcer.announcement.window).toBe(8);
    board.announcer.update({ ...ROW_STATION, isInPairingMode: true, name: "row 8" }, 100_000);
    expect(board.announcer.timeoutUs).toBe(before);
    board.announcer.handleTimeout(before);
    const out = board.announcer.pollTransmit();
    expect(out && decodeAnnounce(out.body)?.name).toBe("row 8");
  });
});
