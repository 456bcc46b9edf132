import { environments, Random } from "@fardel/lossy-link";
import {
  type BoardInHand,
  type Layout,
  studyNearness,
  upperBound,
} from "../packages/pairing/src/discovery/nearness-study.js";
import { type BenchOptions, type Row, rounded } from "./benchmark.js";

const PLACES = ["orchard", "home", "office"] as const;
const CROWDS = [
  { others: "1", othersMin: 1, othersMax: 1 },
  { others: "2 to 3", othersMin: 2, othersMax: 3 },
  { others: "4 to 20", othersMin: 4, othersMax: 20 },
];
/** Which board is in hand, and where the others are. */
const SITUATIONS: readonly { readonly inHand: BoardInHand; readonly layout: Layout }[] = [
  { inHand: "close", layout: "plot" },
  { inHand: "in-sight", layout: "plot" },
  { inHand: "like-the-others", layout: "plot" },
  { inHand: "like-the-others", layout: "crowded" },
  { inHand: "like-the-others", layout: "shelf" },
  { inHand: "silent", layout: "plot" },
];
const FADING_DB = 6;
const RUNS_PER_SEED = 200;

export const nearness = {
  name: "nearness",
  title: "Choosing the board in hand by signal strength, with the defaults",
  notes: [
    "inHand    close: 0.2 m; in-sight: 0.2 to 1 m, both free space and 3 dB of shadowing; like-the-others: the",
    "          lossy link's law, which starts at 1 m, with all of the place's shadowing; silent: not heard at all",
    "layout    where the others are: plot: within 20 m but not 2; crowded: 2 to 30 m, uniform over the logarithm;",
    "          shelf: all at 2 m",
    "others    other boards in pairing mode",
    `runs      cases drawn, each with 5 to 15 announcements of each board and a fading of ${FADING_DB} dB between them`,
    "right     share of cases in which the board in hand was chosen; in the rest but for `wrong` nobody is",
    "wrong     share in which another one was chosen, per thousand",
    "bound     the most that `wrong` can be, per thousand (95 %, one-sided)",
  ],
  async *run({ seeds }: BenchOptions): AsyncIterable<Row> {
    for (const { inHand, layout } of SITUATIONS)
      for (const place of PLACES)
        for (const { others, othersMin, othersMax } of CROWDS) {
          const propagation = { ...environments[place], fadingDb: FADING_DB };
          const study = { propagation, layout, inHand, othersMin, othersMax };
          const random = new Random(`${inHand}/${layout}/${place}/${others}`);
          const { runs, right, wrong } = studyNearness(study, seeds * RUNS_PER_SEED, random);
          yield {
            bench: "nearness",
            inHand,
            layout,
            place,
            others,
            runs,
            right: rounded(right / runs, 3),
            wrong: rounded((1000 * wrong) / runs, 2),
            bound: rounded(1000 * upperBound(wrong, runs), 2),
          };
        }
  },
};
