import { DEFAULT_SETTINGS } from "./defaults.js";
import type { LabSettings } from "./settings.js";

/** A setting to begin with. */
export interface Example {
  readonly name: string;
  /** What there is to see, in one sentence. */
  readonly words: string;
  readonly settings: LabSettings;
}

const { load } = DEFAULT_SETTINGS;

export const EXAMPLES: readonly Example[] = [
  {
    name: "Frost table",
    words:
      "A table goes to one board while a fifth of all datagrams is lost: look for the gaps, and how they are filled.",
    settings: DEFAULT_SETTINGS,
  },
  {
    name: "Quiet air",
    words:
      "Nothing is lost: the window slides on without a hitch, and hardly any air is spent on acks.",
    settings: { ...DEFAULT_SETTINGS, loss: 0 },
  },
  {
    name: "Bursts",
    words:
      "As much is lost as with the frost table, but eight datagrams in a row: whole windows vanish, and the gateway has to ask.",
    settings: { ...DEFAULT_SETTINGS, burst: 8, load: { ...load, bytes: 24_000 } },
  },
  {
    name: "Small window",
    words:
      "The receiver takes four fragments beyond the first missing one: the gateway waits for acks more than it sends.",
    settings: { ...DEFAULT_SETTINGS, window: 4 },
  },
  {
    name: "Commands on the way",
    words: "Every 30 ms a command overtakes the blob: each is there long before the blob is.",
    settings: { ...DEFAULT_SETTINGS, load: { ...load, commandEveryS: 0.03 } },
  },
  {
    name: "Far end of the orchard",
    words:
      "Six rows, 210 to 350 m away among trees: row 4 hears half of it, and holds nobody else up.",
    settings: { ...DEFAULT_SETTINGS, seed: 7, boards: 6, loss: 0.02, distanceM: 280 },
  },
  {
    name: "Twenty boards",
    words: "All rows get their table at once and take turns, datagram by datagram.",
    settings: { ...DEFAULT_SETTINGS, boards: 20, loss: 0.1 },
  },
  {
    name: "Twenty rows report",
    words: "The rows send to the gateway instead, and all want the air at the same time.",
    settings: {
      ...DEFAULT_SETTINGS,
      boards: 20,
      loss: 0.1,
      load: { ...load, direction: "collect", bytes: 4_000 },
    },
  },
  {
    name: "Contention",
    words:
      "Stations draw lots for the air, collide, and their radios repeat by themselves: four rows report.",
    settings: {
      ...DEFAULT_SETTINGS,
      boards: 4,
      preset: "contention",
      loss: 0.1,
      load: { ...load, direction: "collect" },
    },
  },
  {
    name: "An outage",
    words:
      "For a quarter of a second nothing gets through: the gateway asks, ever less often, and goes on where it stopped.",
    settings: { ...DEFAULT_SETTINGS, loss: 0.05, outagesS: [[0.08, 0.33]] },
  },
  {
    name: "Wild link",
    words:
      "Datagrams come twice, late and damaged, on top of those that are lost: the blob arrives whole all the same.",
    settings: { ...DEFAULT_SETTINGS, loss: 0.1, duplicate: 0.1, reorder: 0.1, corrupt: 0.05 },
  },
];
