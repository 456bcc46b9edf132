import type { BenchOptions, Row } from "../benchmark.js";
import { burstRows, contactRows, efficiencyRows, roundRows } from "./channel-rows.js";
import { utilisationRows, workedRows } from "./line-rows.js";

export const handbook = {
  name: "handbook",
  title: "What textbooks compute, and what is measured in virtual time",
  notes: [
    "utilisation       share of the time in which new frames, headers included, are on a full-duplex",
    "                  line that loses no acks",
    "worked            the same in worked examples of the books",
    "bursts            the simulated link alone, 10,000 datagrams a seed",
    "burst efficiency  128 KiB over the reference channel, against what its loss leaves",
    "rounds            sends of the fragments of one message; no acks are lost",
    "first contact     datagrams until a command of 32 bytes arrived",
    "note              what the formula leaves out, or what the row is about",
    "source            where the formula is from:",
    "SR                stop-and-wait and selective repeat; Stallings; Leon-Garcia and Widjaja (from",
    "                  memory)",
    "KR, T, EX         Kurose and Ross; Tanenbaum (both from memory); an exercise of several courses",
    "GE, E             Gilbert 1960 and Elliott 1963; Elias 1955",
    "computed          needs no book",
    "window            fragments",
    "a                 propagation time ÷ time of a frame",
    "loss              of datagrams with data; in burst efficiency and first contact of all",
    "burst             mean length of a burst of losses, datagrams",
    "runs              whose mean was taken",
    "difference        of measured from formula, percent",
    "goBackN           the formula for repeating everything behind a loss, for comparison",
    "failed            messages that were given up; their time is in the mean",
  ],
  async *run({ seeds }: BenchOptions): AsyncIterable<Row> {
    yield* utilisationRows(seeds);
    yield* workedRows(seeds);
    yield* burstRows(seeds);
    yield* efficiencyRows(seeds);
    yield* roundRows(seeds);
    yield* contactRows(seeds);
  },
};
