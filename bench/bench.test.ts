import { describe, expect, it } from "vitest";
import { percentile, type Row, rounded } from "./benchmark.js";
import { BENCHMARKS, main } from "./cli.js";
import { efficiencyOf } from "./efficiency.js";

interface Shape {
  readonly rows: number;
  readonly text?: string[];
  readonly numbers: string[];
  /** Those of the numbers that a row may leave out. */
  readonly optional?: string[];
}

/** What each row of a benchmark holds, in this order, and how many rows there are. */
const SHAPES: Readonly<Record<string, Shape>> = {
  efficiency: {
    rows: 15,
    numbers: ["bytes", "window", "loss", "seeds", "efficiency", "worst", "bar"],
  },
  "by-hand": {
    rows: 40,
    text: ["protocol"],
    numbers: ["bytes", "loss", "seeds", "efficiency", "sustained", "whole", "frames", "expected"],
    optional: ["expected"],
  },
  urgent: {
    rows: 3,
    numbers: [
      "blobBytes",
      "commandBytes",
      "loss",
      "commands",
      "datagramsInFrontMax",
      "datagramsInFrontMean",
      "framesInFrontMax",
      "framesInFrontMean",
      "delayUsMax",
      "delayUsMean",
      "blobUsMax",
      "blobUsMean",
      "bar",
    ],
  },
  "first-contact": {
    rows: 6,
    numbers: [
      "loss",
      "roundTripUs",
      "runs",
      "attemptsToDeliveryP50",
      "attemptsToDeliveryP99",
      "bar",
      "attemptsToReceiptP50",
      "attemptsToReceiptP99",
      "datagramsToReceiptP50",
      "datagramsToReceiptP99",
      "datagramsToReceiptMax",
      "intervalUsP50",
      "intervalUsP99",
      "deliveryUsP50",
      "deliveryUsP99",
      "receiptUsP50",
      "receiptUsP99",
    ],
  },
  speed: {
    rows: 2,
    text: ["preset"],
    numbers: [
      "mtuBytes",
      "messageBytes",
      "datagrams",
      "datagramsPerS",
      "copyAndCrcPerS",
      "ratio",
      "bar",
    ],
  },
  peers: {
    rows: 3,
    numbers: [
      "peers",
      "datagrams",
      "usPerDatagram",
      "costRatio",
      "aloneUsPerDatagram",
      "aloneCostRatio",
      "heapBytesPerPeer",
    ],
  },
  serial: {
    rows: 14,
    text: ["line", "direction"],
    numbers: [
      "bitRate",
      "linkDepth",
      "messageBytes",
      "seeds",
      "bytesPerS",
      "share",
      "worst",
      "payload",
      "lineShare",
      "repeated",
      "dropped",
      "bar",
    ],
    optional: ["bytesPerS", "share", "worst", "payload", "lineShare", "repeated", "dropped", "bar"],
  },
  handbook: {
    rows: 130,
    text: ["part", "what", "note", "source"],
    numbers: [
      ...["window", "a", "loss", "burst", "runs", "measured", "formula", "difference"],
      ...["failed", "goBackN"],
    ],
    optional: ["window", "a", "loss", "burst", "failed", "goBackN"],
  },
  codecs: {
    rows: 21,
    text: ["codec", "against", "zeros"],
    numbers: ["payloadBytes", "oursMbPerS", "theirsMbPerS", "reusedMbPerS", "ratio", "bar"],
    optional: ["reusedMbPerS"],
  },
  hostile: {
    rows: 63,
    text: ["attack", "knows"],
    numbers: [
      ...["datagrams", "refused", "heldBytesMax", "peersMax", "strangersMax"],
      ...["answers", "answerBytes", "amplification", "timeRatio"],
      ...["heapBytesPer100k", "slowdown", "netSlowdown", "failed"],
    ],
  },
  discovery: {
    rows: 16,
    text: ["air"],
    numbers: [
      ...["boards", "loss", "runs", "missed", "foundMsP50", "foundMsMax", "endMsP50", "endMsMax"],
      "airtimeMs",
    ],
  },
  nearness: {
    rows: 54,
    text: ["inHand", "layout", "place", "others"],
    numbers: ["runs", "right", "wrong", "bound"],
  },
  size: { rows: 1, text: ["entry"], numbers: ["minifiedBytes", "gzippedBytes", "bar"] },
};

async function bench(...args: string[]) {
  const written = { out: "", error: "" };
  const code = await main(args, {
    out: (text) => {
      written.out += text;
    },
    error: (text) => {
      written.error += text;
    },
  });
  return { code, ...written };
}

const TINY = ["--seeds", "1", "--scale", "0.01"];

describe("each benchmark", () => {
  // Those apart need rights that a test may not have; they have tests of their own.
  const usual = BENCHMARKS.filter(({ isApart }) => !isApart);
  it.each(usual.map(({ name }) => name))("%s gives rows of its shape", async (name) => {
    const { code, out, error } = await bench(name, "--json", ...TINY);
    expect({ code, error }).toEqual({ code: 0, error: "" });
    const rows = out
      .trimEnd()
      .split("\n")
      .map((line): Row => JSON.parse(line));
    const shape: Shape = SHAPES[name] ?? { rows: -1, numbers: [] };
    const { text = [], optional = [] } = shape;
    expect(rows).toHaveLength(shape.rows);
    for (const row of rows) {
      const numbers = shape.numbers.filter((key) => key in row || !optional.includes(key));
      expect(Object.keys(row)).toEqual(["bench", ...text, ...numbers]);
      expect(row.bench).toBe(name);
      for (const key of numbers) expect(Number.isFinite(row[key]), key).toBe(true);
    }
  });

  it("is the same twice where nothing is timed", async () => {
    const [one, other] = [await bench("urgent", ...TINY), await bench("urgent", ...TINY)];
    expect(one).toEqual(other);
  });
});

describe("efficiency", () => {
  it("is never more than the channel can carry without loss", async () => {
    const value = await efficiencyOf(16_384, 64, 0, 1);
    expect(value).toBeGreaterThan(0.5);
    expect(value).toBeLessThan(1);
  });

  it("is 0 where nothing gets through", async () => {
    expect(await efficiencyOf(1000, 64, 1, 1)).toBe(0);
  });
});

describe("serial", () => {
  it("fills the line from the gateway to the board, and never carries more than it can", async () => {
    const { out } = await bench("serial", "--json", ...TINY);
    const rows = out
      .trimEnd()
      .split("\n")
      .map((line): Row => JSON.parse(line))
      .filter(({ line }) => line === "memory");
    for (const { direction, share, payload, lineShare, bar = 0 } of rows) {
      // What is above the line's own share is bytes in buffers when the last one arrived.
      expect(Number(share)).toBeLessThan(Number(lineShare) + 0.001);
      expect(Number(payload)).toBeGreaterThan(Number(bar));
      if (direction === "push") expect(Number(share)).toBeGreaterThan(Number(bar));
    }
  });
});

describe("the command", () => {
  it("prints a table that names its command, its columns and their units", async () => {
    const { out } = await bench("size");
    expect(out).toContain("npm run bench -- size\n");
    expect(out).toMatch(
      /entry +minifiedBytes +gzippedBytes +bar\n@fardel\/core +\d+ +\d+ +12288\n/,
    );
  });

  it("runs all of them under one name, and each only once", async () => {
    const { out } = await bench("all", "size", "--json", ...TINY);
    const order = out
      .trimEnd()
      .split("\n")
      .map((line): string => JSON.parse(line).bench);
    expect([...new Set(order)]).toEqual(Object.keys(SHAPES));
    expect(order.filter((name) => name === "size")).toHaveLength(1);
  });

  it("explains itself", async () => {
    const { code, out, error } = await bench("--help");
    expect({ code, error }).toEqual({ code: 0, error: "" });
    for (const name of [...Object.keys(SHAPES), "all", "--json", "--seeds", "--scale"]) {
      expect(out).toContain(`  ${name} `);
    }
  });

  it.each([
    [["velocity"], "No such benchmark: velocity."],
    [[], "Which benchmark?"],
    [["size", "--sedes", "3"], "Unknown option '--sedes'."],
    [["size", "--seeds", "0"], "--seeds 0 is not"],
    [["size", "--scale", "much"], "--scale much is not"],
  ])("refuses %j in one line, with exit code 2", async (args, sentence) => {
    const { code, out, error } = await bench(...args);
    expect({ code, out }).toEqual({ code: 2, out: "" });
    expect(error).toMatch(/^[^\n]+\n$/);
    expect(error).toContain(sentence);
  });
});

describe("the statistics", () => {
  it("take the nearest rank as percentile", () => {
    // Worked by hand from the definition: rank ⌈share · n⌉.
    expect(percentile([15, 20, 35, 40, 50], 0.3)).toBe(20);
    expect(percentile([50, 40, 35, 20, 15], 0.99)).toBe(50);
    expect(percentile([3, 6, 7, 8], 0.5)).toBe(6);
    expect(percentile([], 0.5)).toBeNaN();
  });

  it("round to the digits asked for", () => {
    expect([rounded(0.94996, 4), rounded(2.5, 0), rounded(1234.5678, 2)]).toEqual([
      0.95, 3, 1234.57,
    ]);
  });
});
