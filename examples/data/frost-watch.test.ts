import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";

const text = readFileSync(new URL("./frost-watch.csv", import.meta.url), "utf8");
const lines = text.trimEnd().split("\n");
const [header = "", ...rows] = lines.filter((line) => !line.startsWith("#"));
const stations = rows.map((row) => {
  const cells = row.split(",");
  return Object.fromEntries(header.split(",").map((name, index) => [name, cells[index] ?? ""]));
});

describe("the frost-watch table", () => {
  it("says first of all that it is invented", () => {
    expect(lines[0]).toContain("Invented data");
  });

  it("is a blob of about 12 kB with each station once", () => {
    expect(text.length).toBeGreaterThan(11_500);
    expect(text.length).toBeLessThan(12_800);
    expect(new Set(stations.map(({ row, station }) => `${row} ${station}`)).size).toBe(rows.length);
  });

  it("has thresholds that make sense: warn before the fan starts, and stop it above that", () => {
    for (const station of stations) {
      const { warn, fan_on: on, fan_off: off, hysteresis } = station;
      expect(Number(warn), JSON.stringify(station)).toBeGreaterThan(Number(on));
      expect(Number(hysteresis)).toBeGreaterThan(0);
      expect(Number(on) + Number(hysteresis)).toBeCloseTo(Number(off), 9);
      for (const name of ["offset_m5", "offset_0", "offset_p5"]) {
        expect(Math.abs(Number(station[name]))).toBeLessThan(1);
        expect(station[name]).toMatch(/^[+-]?\d\.\d\d$/);
      }
    }
  });
});
