import { describe, expect, it } from "vitest";
import { LossyLinkError, type LossyLinkErrorCode } from "./errors.js";
import type { StationOptions } from "./link.js";
import { Medium } from "./medium.js";
import type { MediumOptions } from "./medium-settings.js";
import { lossyPair } from "./pair.js";
import { environments } from "./propagation.js";
import { VirtualClock } from "./virtual-clock.js";

const clock = new VirtualClock();

function errorOf(run: () => unknown): LossyLinkError {
  try {
    run();
  } catch (error) {
    if (error instanceof LossyLinkError) return error;
    throw error;
  }
  throw new Error("nothing was thrown");
}

type Case = [code: LossyLinkErrorCode, field: string, options: Record<string, unknown>];

const MEDIUM_CASES: Case[] = [
  ["bad-probability", "loss", { loss: 1.01 }],
  ["bad-probability", "loss", { loss: -0.1 }],
  ["bad-probability", "loss", { loss: Number.NaN }],
  ["bad-probability", "loss", { loss: "0.5" }],
  ["bad-probability", "burst.goodToBad", { burst: { goodToBad: 2, badToGood: 0.1 } }],
  ["bad-probability", "burst.badToGood", { burst: { goodToBad: 0.1 } }],
  ["bad-probability", "burst.lossBad", { burst: { goodToBad: 0, badToGood: 0, lossBad: 7 } }],
  ["bad-integer", "burst.goodUsMean", { burst: { goodUsMean: 0, badUsMean: 5 } }],
  ["unknown-option", "burst.stepUs", { burst: { goodToBad: 0, badToGood: 0, stepUs: 1 } }],
  ["bad-choice", "burst", { burst: 0.5 }],
  ["bad-trace", "replay.trace", { replay: { trace: "0012" } }],
  ["bad-probability", "duplication.probability", { duplication: {} }],
  ["bad-integer", "duplication.delayUsMin", { duplication: { probability: 1, delayUsMin: 0.5 } }],
  [
    "bad-integer",
    "reordering.delayUsMax",
    { reordering: { probability: 1, delayUsMin: 9, delayUsMax: 8 } },
  ],
  ["bad-probability", "corruption.bitErrorRate", { corruption: { bitErrorRate: 1.5 } }],
  ["bad-integer", "corruption.bitsMin", { corruption: { probability: 1, bitsMin: 0 } }],
  ["bad-integer", "corruption.bitsMax", { corruption: { probability: 1, bitsMin: 3, bitsMax: 2 } }],
  ["bad-integer", "delayUs", { delayUs: -1 }],
  ["bad-integer", "delayUs", { delayUs: Number.POSITIVE_INFINITY }],
  ["bad-integer", "jitterUs", { jitterUs: 0.5 }],
  [
    "bad-interval",
    "outages[1]",
    {
      outages: [
        [0, 10],
        [20, 20],
      ],
    },
  ],
  ["bad-interval", "outages[0]", { outages: [[30, 20]] }],
  ["bad-interval", "outages[0]", { outages: [[1]] }],
  ["bad-interval", "outages[0]", { outages: [[-5, 5]] }],
  ["bad-interval", "outages", { outages: "always" }],
  ["bad-integer", "mtuBytes", { mtuBytes: 19 }],
  ["bad-integer", "mtuBytes", { mtuBytes: 65536 }],
  ["bad-integer", "outstandingMax", { outstandingMax: 0 }],
  ["bad-integer", "seed", { seed: -1 }],
  ["bad-integer", "seed", { seed: 0.5 }],
  ["bad-integer", "airtime.fixedUs", { airtime: { fixedUs: -1, perByteUs: 0, overheadBytes: 0 } }],
  ["bad-number", "airtime.perByteUs", { airtime: { fixedUs: 0, overheadBytes: 0 } }],
  ["bad-choice", "duplex", { duplex: "both" }],
  ["bad-choice", "arbitration", { arbitration: "lifo" }],
  [
    "bad-choice",
    "arbitration",
    { duplex: "full", arbitration: { slotUs: 20, difsUs: 50, cwMin: 31, cwMax: 1023 } },
  ],
  [
    "bad-integer",
    "arbitration.cwMax",
    { arbitration: { slotUs: 1, difsUs: 0, cwMin: 9, cwMax: 8 } },
  ],
  ["bad-probability", "neighbourAcks.lossRate", { neighbourAcks: { lossRate: 2 } }],
  ["bad-integer", "neighbourAcks.repetitionsMax", { neighbourAcks: { repetitionsMax: 256 } }],
  ["bad-address", "broadcastAddress", { broadcastAddress: new Uint8Array(0) }],
  ["bad-number", "propagation.exponent", { propagation: { ...environments.home, exponent: -2 } }],
  ["bad-number", "propagation.marginDb", { propagation: { ...environments.home, marginDb: NaN } }],
  ["unknown-option", "los", { los: 0.2 }],
  ["missing-option", "clock", { clock: undefined }],
];

const STATION_CASES: Case[] = [
  ["bad-address", "address", { address: "02:00" }],
  ["bad-address", "address", { address: new Uint8Array(256) }],
  ["bad-address", "address", { address: new Uint8Array(6).fill(255) }],
  ["missing-option", "position", {}],
  ["bad-number", "position.yM", { position: { xM: 0, yM: "1" } }],
  ["unknown-option", "position.x", { position: { x: 0, y: 0 } }],
  ["bad-integer", "radioChannel", { radioChannel: 1.5 }],
  ["bad-probability", "outgoing.loss", { outgoing: { loss: 5 } }],
  ["unknown-option", "incoming.losses", { incoming: { losses: 0.5 } }],
  ["bad-interval", "radioOff[0]", { radioOff: [[5, 4]] }],
];

describe("options of a medium", () => {
  it.each(MEDIUM_CASES)("%s: %s", (code, field, options) => {
    const error = errorOf(() => new Medium({ clock, ...options } as unknown as MediumOptions));
    expect(error).toMatchObject({ name: "LossyLinkError", code, field });
    expect(error.allowed).toBeTruthy();
    // A sentence that names the field.
    expect(error.message).toMatch(
      code === "missing-option"
        ? /clock.*\.$/
        : new RegExp(`${field.replace(/[[\].]/g, "\\$&")}.*\\.$`),
    );
  });

  it("are an object", () => {
    expect(errorOf(() => new Medium(undefined as unknown as MediumOptions)).code).toBe(
      "bad-choice",
    );
  });
});

describe("options of a station", () => {
  it.each(STATION_CASES)("%s: %s", (code, field, options) => {
    const medium = new Medium({ clock, propagation: environments.home });
    const given = { address: Uint8Array.of(1), position: { xM: 0, yM: 0 }, ...options };
    const { position, ...unplaced } = given;
    const attached = code === "missing-option" ? unplaced : given;
    const error = errorOf(() => medium.attach(attached as unknown as StationOptions));
    expect(error).toMatchObject({ code, field });
    expect(error.allowed).toBeTruthy();
    // Nothing was attached: the address is still free.
    medium.attach({ address: Uint8Array.of(1), position: { xM: 0, yM: 0 } });
  });

  it("address-in-use: until the other one is closed", () => {
    const medium = new Medium({ clock });
    const first = medium.attach({ address: Uint8Array.of(2, 9) });
    const again = (): unknown => medium.attach({ address: Uint8Array.of(2, 9) });
    expect(errorOf(again)).toMatchObject({
      code: "address-in-use",
      message: "The station 02:09 is attached already. Close it first, or use another address.",
    });
    first.close();
    again();
  });
});

describe("options of a pair", () => {
  it("are named as they were given", () => {
    expect(errorOf(() => lossyPair({ aToB: { loss: 2 } })).field).toBe("aToB.loss");
    expect(errorOf(() => lossyPair({ bToA: { delayUs: -1 } })).field).toBe("bToA.delayUs");
    expect(errorOf(() => lossyPair({ loss: 2 })).field).toBe("loss");
  });
});

describe("settings of a running medium", () => {
  it("are checked before anything changes", () => {
    const medium = new Medium({ clock });
    const here = Uint8Array.of(1);
    expect(errorOf(() => medium.setImpairments({ loss: 3 })).field).toBe("impairments.loss");
    expect(errorOf(() => medium.setPathImpairments(here, here, { loss: 3 })).field).toBe(
      "impairments.loss",
    );
    const nowhere = undefined as unknown as Uint8Array;
    expect(errorOf(() => medium.setPathImpairments(here, nowhere, {})).field).toBe("to");
  });

  it("name what was wrong and what is allowed", () => {
    expect(errorOf(() => lossyPair({ loss: 1.5 })).message).toBe(
      "loss must be a number from 0 to 1, but is 1.5.",
    );
    expect(errorOf(() => lossyPair({ outages: [[9, 3]] })).message).toBe(
      "outages[0] must be [fromUs, toUs] in whole microseconds with 0 <= fromUs < toUs, but is [9,3].",
    );
  });
});
