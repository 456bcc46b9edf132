import { describe, expect, it } from "vitest";
import { DEFAULT_CONFIG, type ProtocolConfig, resolveConfig } from "./config.js";
import { FardelError } from "./errors.js";

function refusal(given: object): FardelError {
  try {
    resolveConfig(given as Partial<ProtocolConfig>);
  } catch (error) {
    if (error instanceof FardelError) return error;
    throw error;
  }
  return expect.fail("nothing was refused");
}

/** Just outside of what each option allows, below and above. */
const OUTSIDE: Readonly<
  Record<Exclude<keyof ProtocolConfig, "accept">, readonly [number, number]>
> = {
  window: [0, 256],
  messageBytesMax: [0, 2 ** 53],
  peerBytesMax: [1023, 2 ** 53],
  totalBytesMax: [1023, 2 ** 53],
  strangerBytesMax: [-1, 2 ** 53],
  strangersMax: [0, 1_000_001],
  peersMax: [0, 10_000_001],
  streamBytesMax: [1023, 2 ** 53],
  sendQueueBytesMax: [0, 2 ** 53],
  sendQueueMessagesMax: [0, 2 ** 53],
  linkDepth: [0, 1025],
  unreachableUs: [0, 86_400_000_001],
  keepAliveUs: [-1, 86_400_000_001],
  firstRetryUs: [999, 60_000_001],
  retryUsMax: [999, 3_600_000_001],
  ackDelayUs: [0, 86_400_000_001],
  confirmDelayUs: [0, 86_400_000_001],
  airtimeShare: [0, 1.001],
};

describe("resolveConfig", () => {
  it("covers every option here", () => {
    expect(Object.keys({ ...OUTSIDE, accept: 0 }).sort()).toEqual(
      Object.keys(DEFAULT_CONFIG).sort(),
    );
  });

  for (const [name, [below, above]] of Object.entries(OUTSIDE)) {
    it(`names ${name} and refuses what is below, above or no number`, () => {
      for (const value of [below, above, Number.NaN, Number.POSITIVE_INFINITY, "7", null]) {
        const { code, message } = refusal({ [name]: value });
        expect(code).toBe("invalid-option");
        expect(message).toMatch(new RegExp(`\\b${name}\\b`));
      }
    });

    it(`takes ${name} at its edges`, () => {
      const roomy = { messageBytesMax: 900, peerBytesMax: 1024, totalBytesMax: 2 ** 53 - 1 };
      const step = name === "airtimeShare" ? 0.001 : 1;
      const [low, high] = [below + step, name === "airtimeShare" ? 1 : above - 1];
      const hasPartners = ["messageBytesMax", "peerBytesMax", "totalBytesMax"].includes(name);
      for (const value of hasPartners ? [] : [low, high])
        expect(resolveConfig({ ...roomy, [name]: value })).toMatchObject({ [name]: value });
    });
  }

  it("refuses fractions, but for the share of airtime", () => {
    expect(refusal({ window: 1.5 }).message).toContain("window");
    expect(resolveConfig({ airtimeShare: 0.5 }).airtimeShare).toBe(0.5);
  });

  it("refuses a name that is no option", () => {
    expect(refusal({ windw: 3 }).message).toContain("windw");
  });

  it("refuses a name of every object", () => {
    expect(refusal({ toString: 3 }).message).toContain("toString");
  });

  it("takes an option that is undefined as not given, and gives every default", () => {
    expect(resolveConfig({ window: undefined } as never)).toEqual(DEFAULT_CONFIG);
    expect(resolveConfig({})).not.toBe(DEFAULT_CONFIG);
  });

  it("wants a largest message to fit in a peer's bytes, and these in all", () => {
    const tight = { messageBytesMax: 1000, peerBytesMax: 1064, totalBytesMax: 1064 };
    expect(resolveConfig(tight)).toMatchObject(tight);
    expect(refusal({ ...tight, messageBytesMax: 1001 }).message).toContain("messageBytesMax");
    expect(refusal({ ...tight, peerBytesMax: 1063 }).message).toContain("peerBytesMax");
    expect(refusal({ ...tight, totalBytesMax: 1063 }).message).toContain("totalBytesMax");
  });
});
