import { describe, expect, it } from "vitest";
import { HELP, parseOptions, UsageError } from "./options.js";

describe("the command line of the demo", () => {
  it("has defaults", () => {
    expect(parseOptions([])).toEqual({
      file: undefined,
      lossRate: 0.2,
      burstDatagrams: 3,
      datagramBytes: 250,
      window: 16,
      seed: 1,
      speed: "fast",
    });
  });

  it("takes every option, and one file", () => {
    const line =
      "--loss .35 --burst 2.5 --datagram 64 --window=255 --seed 0 --speed real some/file.bin";
    expect(parseOptions(line.split(" "))).toEqual({
      file: "some/file.bin",
      lossRate: 0.35,
      burstDatagrams: 2.5,
      datagramBytes: 64,
      window: 255,
      seed: 0,
      speed: "real",
    });
  });

  it("gives help, and the help names every option", () => {
    expect(parseOptions(["--help"])).toBe("help");
    for (const name of ["loss", "burst", "datagram", "window", "seed", "speed", "help"]) {
      expect(HELP).toContain(`  --${name}`);
    }
  });

  it.each([
    ["--loss 1.01", "--loss must be a number from 0 to 1"],
    ["--loss a", "--loss must be"],
    ["--loss=", "--loss must be"],
    ["--loss=-1", "--loss must be"],
    ["--loss -1", "--loss needs a value; write --loss=VALUE"],
    ["--loss=1e-1", "--loss must be"],
    ["--burst 0.9", "--burst must be a number from 1 to 1000"],
    ["--datagram 19", "--datagram must be a whole number from 20 to 1500"],
    ["--datagram 1501", "--datagram must be"],
    ["--datagram 20.5", "--datagram must be"],
    ["--window 0", "--window must be a whole number from 1 to 255"],
    ["--window 256", "--window must be"],
    ["--seed 9007199254740993", "--seed must be"],
    ["--speed slow", '--speed must be fast or real, not "slow"'],
    ["--seed", "Option '--seed <value>' argument missing. --help"],
    ["--lost 1", "Unknown option '--lost'. --help lists the options."],
    ["a b", "Give one FILE, not 2."],
  ])("refuses %s in one line", (line, sentence) => {
    const parse = () => parseOptions(line.split(" "));
    expect(parse).toThrow(UsageError);
    expect(parse).toThrow(sentence);
    try {
      parse();
    } catch (error) {
      expect((error as Error).message).not.toContain("\n");
    }
  });
});
