import { describe, expect, it } from "vitest";
import type { BoardView } from "./board-list.js";
import { choose, SETTLED_US, type Wanted } from "./pair-choice.js";

interface Told {
  readonly rssiDbm?: number;
  readonly isInPairingMode?: boolean;
  readonly samples?: number;
}

function board(last: number, name: string, told: Told = {}): BoardView {
  const { rssiDbm, isInPairingMode = true, samples = 5 } = told;
  const address = Uint8Array.of(2, 0, 0, 0, 0, last);
  const strengths = rssiDbm === undefined ? {} : { rssiDbm };
  return {
    address,
    addressText: `02:00:00:00:00:0${last}`,
    ...strengths,
    found: {
      address,
      name,
      kind: "row-station",
      announcement: {
        version: 1,
        isInPairingMode,
        takesPlainSessions: true,
        takesProtectedSessions: true,
        ways: ["code"],
        mtuBytes: 250,
        window: 64,
        messageBytesMax: 0,
        kind: "row-station",
        name,
      },
      ...strengths,
      rssiSamplesDbm: rssiDbm === undefined ? [] : Array<number>(samples).fill(rssiDbm),
      heardUs: 0,
    },
  };
}

const near: Wanted = { by: "nearness" };
const named = (name: string): Wanted => ({ by: "name", name });
const at = (last: number): Wanted => ({
  by: "address",
  address: Uint8Array.of(2, 0, 0, 0, 0, last),
});
const settled = {
  sinceUs: SETTLED_US,
  needsPairingMode: true,
  commandFor: (address: string) => `fardel pair ${address} --link L`,
};
const early = { ...settled, sinceUs: SETTLED_US - 1 };

describe("which board is meant by nearness", () => {
  it("is the one that is near, and far ahead of the next", () => {
    const [one, other] = [board(1, "row-1", { rssiDbm: -20 }), board(2, "row-2", { rssiDbm: -60 })];
    expect(choose(near, [other, one], settled)).toEqual({ board: one });
  });

  it.each([
    [[], "nobody-heard", "press the button"],
    [
      [board(1, "row-1", { rssiDbm: -60 })],
      "too-far",
      "Hold the board closer, or name it: fardel pair 02:00:00:00:00:01 --link L",
    ],
    [
      [board(1, "row-1", { rssiDbm: -20 }), board(2, "row-2", { rssiDbm: -25 })],
      "about-as-near",
      "Two boards are about as near: row-1 (02:00:00:00:00:01) at -20 dBm, row-2 (02:00:00:00:00:02) at -25 dBm. Hold the board closer, or name one: fardel pair 02:00:00:00:00:01",
    ],
    [[board(1, "row-1", { rssiDbm: -20, samples: 2 })], "too-few-announcements", "a moment longer"],
  ])("is nobody if there is a doubt", (boards, doubt, text) => {
    expect(choose(near, boards, settled)).toMatchObject({
      doubt,
      sentence: expect.stringContaining(text),
    });
    expect(choose(near, boards, settled)).not.toHaveProperty("isFinal");
    expect(choose(near, boards, early)).toBe("looking");
  });

  it("is the only one, where no signal strength is told; of several none, for good", () => {
    const [one, other] = [board(1, "row-1"), board(2, "row-2")];
    expect(choose(near, [one], early)).toBe("looking");
    expect(choose(near, [one], settled)).toEqual({ board: one });
    expect(choose(near, [one, other], settled)).toMatchObject({
      doubt: "no-signal-strength",
      isFinal: true,
      sentence: expect.stringContaining("Name one: fardel pair 02:00:00:00:00:01"),
    });
  });
});

describe("which board is meant by a name", () => {
  it("is the one that is called so, else the only one whose name begins so", () => {
    const [one, ten] = [board(1, "row-1"), board(2, "row-10")];
    expect(choose(named("row-1"), [one, ten], early)).toBe("looking");
    expect(choose(named("row-1"), [one, ten], settled)).toEqual({ board: one });
    expect(choose(named("row-10"), [one, ten], settled)).toEqual({ board: ten });
    expect(choose(named("row"), [ten], settled)).toEqual({ board: ten });
  });

  it("is nobody where two are called so: anybody can take any name", () => {
    const twins = [board(1, "row-1"), board(2, "row-1")];
    expect(choose(named("row-1"), twins, settled)).toMatchObject({
      doubt: "ambiguous-name",
      isFinal: true,
      sentence: expect.stringContaining("Give the address: fardel pair 02:"),
    });
    expect(choose(named("row-9"), twins, settled)).toMatchObject({ doubt: "unknown-board" });
  });
});

describe("which board is meant by an address", () => {
  it("is the one there, as soon as it is in pairing mode", () => {
    const silent = board(1, "row-1", { isInPairingMode: false });
    expect(choose(at(1), [board(1, "row-1")], early)).toMatchObject({ board: { found: {} } });
    expect(choose(at(1), [silent], settled)).toMatchObject({
      doubt: "not-in-pairing-mode",
      sentence: expect.stringContaining("row-1 (02:00:00:00:00:01) is there, but not in"),
    });
    const renewed = { ...settled, needsPairingMode: false };
    expect(choose(at(1), [silent], renewed)).toEqual({ board: silent });
  });

  it("is tried if nobody was heard there", () => {
    expect(choose(at(7), [board(1, "row-1")], early)).toBe("looking");
    expect(choose(at(7), [board(1, "row-1")], settled)).toEqual({
      unheard: Uint8Array.of(2, 0, 0, 0, 0, 7),
    });
  });
});
