import type { Found } from "@fardel/pairing";
import fc from "fast-check";
import { beforeAll, describe, expect, it } from "vitest";
import { type OpenLink, openLink } from "../link-address/open-link.js";
import { type PairingLink, readPairedBoards, withPairedBoards } from "../paired/paired-boards.js";
import { TestContext } from "../test-context.js";
import { BOARDS_SHOWN_MAX, BoardList, boardLine, boardObject, boardTable } from "./board-list.js";

let open: PairingLink;
beforeAll(async () => {
  const context = new TestContext();
  const link: OpenLink = await openLink("lossy:", context);
  open = withPairedBoards(link, await readPairedBoards({}, context), context);
});

function found(last: number, name: string, rssiDbm?: number, heardUs = 0): Found {
  return {
    address: Uint8Array.of(2, 0, 0, 0, last >> 8, last & 0xff),
    name,
    kind: "row-station",
    announcement: {
      version: 1,
      isInPairingMode: false,
      takesPlainSessions: true,
      takesProtectedSessions: false,
      ways: [],
      mtuBytes: 250,
      window: 64,
      messageBytesMax: 0,
      kind: "row-station",
      name,
    },
    rssiSamplesDbm: rssiDbm === undefined ? [] : [rssiDbm],
    ...(rssiDbm !== undefined && { rssiDbm }),
    heardUs,
  };
}

describe("a list of boards", () => {
  it("has the strongest first, then those without signal strength by name", () => {
    const boards = new BoardList(open);
    boards.note([found(1, "b"), found(2, "far", -80), found(3, "a"), found(4, "near", -30)]);
    const names = boards.sorted().map(({ found: { name } }) => name);
    expect(names).toEqual(["near", "far", "a", "b"]);
  });

  it("is sorted by strength whatever is heard", () => {
    const strength = fc.option(fc.integer({ min: -120, max: 10 }), { nil: undefined });
    fc.assert(
      fc.property(fc.array(strength, { maxLength: 30 }), (strengths) => {
        const boards = new BoardList(open);
        boards.note(strengths.map((rssiDbm, at) => found(at, `row-${at}`, rssiDbm)));
        const sorted = boards.sorted().map(({ rssiDbm = -1000 }) => rssiDbm);
        expect(sorted).toEqual([...sorted].sort((one, other) => other - one));
        expect(sorted).toHaveLength(strengths.length);
      }),
    );
  });

  it("keeps the last signal strength, and the latest of what is said", () => {
    const boards = new BoardList(open);
    boards.note([found(1, "row-1", -40, 5)]);
    boards.note([found(1, "row-1b", undefined, 9)]);
    boards.note([found(1, "stale", -90, 7)]);
    expect(boards.sorted()).toMatchObject([{ rssiDbm: -40, found: { name: "row-1b" } }]);
    boards.forgetBefore(9);
    expect(boards.size).toBe(1);
    boards.forgetBefore(10);
    expect(boards.size).toBe(0);
  });

  it("is bounded: of more, the one heard longest ago gives way", () => {
    const boards = new BoardList(open);
    for (let at = 0; at < BOARDS_SHOWN_MAX + 10; at++) boards.note([found(at, `row-${at}`)]);
    expect(boards.size).toBe(BOARDS_SHOWN_MAX);
    expect(boards.find(found(9, "").address)).toBeUndefined();
    expect(boards.find(found(10, "").address)).toBeDefined();
  });

  it("fits the terminal, and says how many are left out", () => {
    const boards = new BoardList(open);
    boards.note(Array.from({ length: 10 }, (_, at) => found(at, `row-${at}`)));
    expect(boardTable(boards.sorted(), 0, 6)).toHaveLength(6);
    expect(boardTable(boards.sorted(), 0, 6).at(-1)).toBe("… and 6 more boards");
    expect(boardTable(boards.sorted(), 0, 11)).toHaveLength(11);
    expect(boardTable(boards.sorted(), 0, 1)).toHaveLength(1);
  });

  it("shows control characters of names as what they are", () => {
    const boards = new BoardList(open);
    boards.note([found(1, "\u001b[2J\u202egate")]);
    const [view] = boards.sorted();
    expect(view && boardLine(view)).toContain("\\u{1b}[2J\\u{202e}gate");
    const [, line] = boardTable(boards.sorted(), 0);
    expect(line).toContain("\\u{1b}[2J\\u{202e}gate");
    expect(view && boardObject(view, 0).name).toBe("\u001b[2J\u202egate");
  });
});
