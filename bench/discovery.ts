import {
  type HiddenAirResult,
  searchHiddenBoards,
} from "../packages/pairing/src/discovery/hidden-air.js";
import { searchOrchard } from "../packages/pairing/src/discovery/orchard.js";
import { type BenchOptions, largest, mean, percentile, type Row, rounded } from "./benchmark.js";

/** How many boards there are, and the share of the seeds that were asked for that is run with them. */
const CROWDS = [
  { boards: 1, share: 1 },
  { boards: 20, share: 1 },
  { boards: 200, share: 0.2 },
  { boards: 500, share: 0.05 },
];
const LOSSES = [0.1, 0.3];

type Search = Omit<HiddenAirResult, "queries" | "answers">;

export const discovery = {
  name: "discovery",
  title: "Finding all boards in range: how long it takes, and what it costs in airtime",
  notes: [
    "air        contention: the preset of that name, with collisions and repetitions by the link;",
    "           hidden: no board hears another one, answers that overlap are lost, nothing is repeated",
    "loss       of each datagram, each way",
    "missed     boards that were not found, in all runs",
    "foundMs    until the last one was found, ms",
    "endMs      until the search ended by itself, ms",
    "airtimeMs  of queries and answers, ms, mean",
    "P50        median (nearest rank)",
  ],
  async *run({ seeds }: BenchOptions): AsyncIterable<Row> {
    for (const air of ["contention", "hidden"] as const)
      for (const { boards, share } of CROWDS)
        for (const loss of LOSSES) {
          const searches: Search[] = [];
          for (let seed = 1; seed <= Math.ceil(seeds * share); seed++)
            searches.push(
              air === "hidden"
                ? searchHiddenBoards(boards, loss, seed)
                : await searchOrchard({ boards, loss, seed }),
            );
          yield rowOf(air, boards, loss, searches);
        }
  },
};

function rowOf(air: string, boards: number, loss: number, searches: readonly Search[]): Row {
  const ms = (key: "foundUs" | "endUs" | "airtimeUs") =>
    searches.map((search) => rounded(search[key] / 1000, 1));
  return {
    bench: "discovery",
    air,
    boards,
    loss,
    runs: searches.length,
    missed: searches.reduce((sum, { found }) => sum + boards - found, 0),
    foundMsP50: percentile(ms("foundUs"), 0.5),
    foundMsMax: largest(ms("foundUs")),
    endMsP50: percentile(ms("endUs"), 0.5),
    endMsMax: largest(ms("endUs")),
    airtimeMs: rounded(mean(ms("airtimeUs")), 1),
  };
}
