import { expect, it } from "vitest";
import { bytes, bytesPerSecond, counted, duration, percent } from "./format.js";

it("writes figures as people read them", () => {
  expect([bytes(1), bytes(12_458)]).toEqual(["1 byte", "12,458 bytes"]);
  expect([counted(0, "datagram"), counted(1, "datagram")]).toEqual(["0 datagrams", "1 datagram"]);
  expect([0, 999, 84_200, 1_234_567].map(bytesPerSecond)).toEqual([
    "0 B/s",
    "999 B/s",
    "84.2 kB/s",
    "1.23 MB/s",
  ]);
  expect([840, 12_400, 3_070_000, 252_000_000, 7_500_000_000].map(duration)).toEqual([
    "840 µs",
    "12.4 ms",
    "3.07 s",
    "4 min 12 s",
    "2 h 5 min",
  ]);
  expect([0, 0.198, 1].map(percent)).toEqual(["0 %", "19.8 %", "100 %"]);
});
