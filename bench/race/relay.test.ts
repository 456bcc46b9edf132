import { spawnSync } from "node:child_process";
import { existsSync } from "node:fs";
import { lossyPair, presets } from "@fardel/lossy-link";
import fc from "fast-check";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../test/system-commands.js";
import { type AirOptions, airArguments, parseStatistics, RelayProgram } from "./relay.js";

interface Offer {
  readonly atUs: number;
  readonly station: number;
  readonly bytes: number;
}

/** `INSTANT STATION BYTES FATE`, as the relay prints it. */
type Line = string;

/** What the medium of lossy-link makes of the same frames. */
function throughMedium(offers: readonly Offer[], queueFrames: number): Line[] {
  const { a, b, clock } = lossyPair({ ...presets.reference(), outstandingMax: queueFrames });
  const lines: Line[] = [];
  for (const link of [a, b]) link.open({ onDatagram: () => {} });
  for (const { atUs, station, bytes } of offers) {
    clock.runSync(atUs);
    const [from, to] = station === 0 ? [a, b] : [b, a];
    from.send(to.localAddress, new Uint8Array(bytes), (outcome) => {
      const fate = outcome === "refused" ? "dropped" : "delivered";
      lines.push(`${clock.nowUs()} ${station} ${bytes} ${fate}`);
    });
  }
  clock.runSync();
  return lines;
}

/** In order of time. */
const offersOf = (gapsUs: readonly [number, number, number][]): Offer[] => {
  let atUs = 0;
  return gapsUs.map(([gapUs, station, bytes]) => {
    atUs += gapUs;
    return { atUs, station, bytes };
  });
};

/** Gaps from none to some frames long: the queues fill, and run empty. */
const offers = fc
  .array(
    fc.tuple(
      fc.oneof(fc.constant(0), fc.nat(3000), fc.nat(20_000)),
      fc.nat(1),
      fc.integer({ min: 1, max: 250 }),
    ),
    { maxLength: 60 },
  )
  .map(offersOf);

/** TUN devices belong to Linux, and so does the program, also where it only replays. */
const cannotCompile = process.platform !== "linux" || lacksCommands("gcc");

describe.skipIf(cannotCompile)("the relay", () => {
  let program: RelayProgram;
  const listeners = () =>
    ["exit", "SIGINT", "SIGTERM"].map((event) => process.listenerCount(event));
  const listenersBefore = listeners();
  beforeAll(() => {
    program = new RelayProgram();
  });
  afterAll(() => {
    program.remove();
    expect(existsSync(program.path)).toBe(false);
    expect(listeners()).toEqual(listenersBefore);
  });

  const air = { loss: 0, seed: 1, queueFrames: 64, order: "first-come" } as const;

  function run(args: readonly string[], input = "") {
    const { status, stdout, stderr } = spawnSync(program.path, args, { input, encoding: "utf8" });
    return { status, stdout, stderr };
  }

  function replay(list: readonly Offer[], options: AirOptions) {
    const input = list.map(({ atUs, station, bytes }) => `${atUs} ${station} ${bytes}\n`).join("");
    const lines = run([...airArguments(options), "-r"], input)
      .stdout.trimEnd()
      .split("\n");
    const statistics = parseStatistics(lines.pop() ?? "");
    return { lines, statistics };
  }

  /** So many full frames of one station, each handed over when the air is free. */
  const frames = (count: number, station = 0, firstUs = 0): Offer[] =>
    Array.from({ length: count }, (_, i) => ({ atUs: firstUs + i * 10_000, station, bytes: 250 }));

  const fates = (lines: readonly Line[], station: number) =>
    lines
      .map((line) => line.split(" "))
      .flatMap(([, from, , fate]) => {
        return Number(from) === station ? [fate] : [];
      });

  it("is the reference channel: each frame ends when it does in lossy-link's medium", () => {
    fc.assert(
      fc.property(offers, fc.integer({ min: 1, max: 8 }), (list, queueFrames) => {
        const { lines, statistics } = replay(list, { ...air, queueFrames });
        expect([...lines].sort()).toEqual([...throughMedium(list, queueFrames)].sort());
        const [carried, dropped] = [statistics.frames, statistics.dropped];
        for (const station of [0, 1]) {
          const offered = list.filter((offer) => offer.station === station);
          const delivered = fates(lines, station).filter((fate) => fate === "delivered");
          expect(carried[station]).toBe(delivered.length);
          expect(Number(carried[station]) + Number(dropped[station])).toBe(offered.length);
          expect(statistics.queuedMax[station]).toBeLessThanOrEqual(queueFrames);
        }
      }),
      { numRuns: 60 },
    );
  });

  it("can let both stations take turns, so that nobody waits behind the other's queue", () => {
    const list = [...Array(4)].map(() => ({ atUs: 0, station: 0, bytes: 250 }));
    list.push({ atUs: 10, station: 1, bytes: 3 });
    const order = (options: AirOptions) =>
      replay(list, options).lines.map((line) => line.split(" ")[1]);
    expect(order(air)).toEqual(["0", "0", "0", "0", "1"]);
    expect(order({ ...air, order: "in-turn" })).toEqual(["0", "1", "0", "0", "0"]);
  });

  it.each([0, 0.05, 0.3, 1])("loses as many as it is told: %d", (loss) => {
    const { lines, statistics } = replay(frames(4000), { ...air, loss });
    const lost = statistics.lost[0];
    expect(fates(lines, 0).filter((fate) => fate === "lost")).toHaveLength(lost);
    // Four standard deviations; the seed is fixed.
    const deviation = Math.sqrt((loss * (1 - loss)) / 4000);
    expect(Math.abs(lost / 4000 - loss)).toBeLessThanOrEqual(4 * deviation);
  });

  it("loses the same frames for the same seed, whatever the other side sends", () => {
    const options = { ...air, loss: 0.3 };
    const alone = fates(replay(frames(200), options).lines, 0);
    const mixed = [...frames(200), ...frames(200, 1, 5000)].sort((a, b) => a.atUs - b.atUs);
    const { lines } = replay(mixed, options);
    expect(fates(lines, 0)).toEqual(alone);
    expect(fates(lines, 1)).not.toEqual(alone);
    expect(fates(replay(frames(200), { ...options, seed: 2 }).lines, 0)).not.toEqual(alone);
  });

  it.each([
    [["-p", "0", "-q", "0", "-r"]],
    [["-p", "0", "-q", "1025", "-r"]],
    [["-p", "1.5", "-q", "4", "-r"]],
    [["-p", "much", "-q", "4"]],
    [["-q", "4"]],
    [["-z"]],
  ])("says how it is called when called with %j", (args) => {
    const { status, stdout, stderr } = run(args);
    expect({ status, stdout }).toEqual({ status: 2, stdout: "" });
    expect(stderr).toContain("usage: relay -p LOSS");
  });

  it("says which namespace it cannot enter", () => {
    const args = [...airArguments(air), "-d", "air", "no-such-file", "no-such-file"];
    expect(run(args)).toMatchObject({
      status: 1,
      stderr: "relay: no-such-file: No such file or directory.\n",
    });
  });
});

describe("statistics of a relay", () => {
  const good = {
    frames: [3, 2],
    bytes: [750, 80],
    lost: [1, 0],
    dropped: [0, 0],
    queuedMax: [2, 1],
    oversized: 0,
    lateUsMax: 90,
    lateUsMean: 40,
    isRealtime: true,
  };

  it("are read as printed", () => {
    expect(parseStatistics(JSON.stringify(good))).toEqual(good);
  });

  it("are refused with one field missing or of another kind, and where there are none", () => {
    const wrong = fc.constantFrom(null, "3", -1, 0.5, [1], [1, 2, 3], ["1", "2"], {});
    fc.assert(
      fc.property(fc.constantFrom(...Object.keys(good)), fc.option(wrong), (name, value) => {
        const line = JSON.stringify({ ...good, [name]: value ?? undefined });
        expect(() => parseStatistics(line)).toThrow("The relay ended without its statistics:");
      }),
    );
    for (const line of ["", "ready", "null", "[]", "{"]) {
      expect(() => parseStatistics(line)).toThrow(JSON.stringify(line));
    }
  });
});
