import type { BoardSetting } from "./board-stations.js";
import { Dice } from "./dice.js";
import type { Scenario } from "./scenario.js";
import type { StationEndpointOptions } from "./station-endpoint.js";

/** Which stations run the endpoint in C: some in a run with TypeScript, or all of them. */
export type BoardsMode = "ts-c" | "c-c";

export const BOARDS_MODES: readonly BoardsMode[] = ["ts-c", "c-c"];

/** Largest window of a board. */
const WINDOW_MAX = 32;
const LINK_DEPTH_MAX = 4;
/** Foreign addresses that may take places in the table of peers. */
const STRANGERS = 4;

/** What a board is made of, and how its application takes what arrives. */
export interface BoardPlan {
  /** Constants of the build. */
  readonly defines: readonly string[];
  readonly config: {
    readonly peers: number;
    readonly window: number;
    readonly buffers: number;
    readonly linkDepth: number;
    readonly messageBytesMax: number;
  };
  /** Unread messages, after which the application is busy. */
  readonly unreadMax: number;
  /** Parts of messages, as fardel.h numbers them, at which it then says so. */
  readonly busyAt: number;
}

/** Which stations are boards: with TypeScript the gateway is one, or all others are. */
export function isBoard(mode: BoardsMode | undefined, seed: number, station: number): boolean {
  if (mode === undefined) return false;
  return mode === "c-c" || (station === 0) === (seed % 2 === 1);
}

/** Draws what the scenario does not say of a board; nothing else of the scenario changes by it. */
export function boardPlan(
  { plan, seed, index }: Pick<StationEndpointOptions, "plan" | "seed" | "index">,
  { stations, hasStrangers, isPatient, isProtected }: Omit<BoardSetting, "target">,
): BoardPlan {
  const dice = new Dice(seed, `board ${index}`);
  const window = Math.min(WINDOW_MAX, plan.config.window ?? 8);
  const few = dice.integer(0, window - 1);
  const unread = dice.integer(1, 3);
  const isSlow = plan.reader.delayUsMax > 0 || plan.reader.pauses.length > 0;
  const sendWindow = dice.pick([8, 8, 8, 3]);
  return {
    defines: [
      ...(sendWindow === 8 ? [] : [`FARDEL_SEND_WINDOW=${sendWindow}`]),
      // Only what a run means to make unreachable may be: plain loss, however unlucky, is no reason.
      ...(isPatient ? ["UNREACHABLE_US=250000000u"] : []),
      ...(isProtected ? ["FARDEL_PROTECTED"] : []),
    ],
    config: {
      peers: stations - 1 + (hasStrangers ? STRANGERS : 0),
      window,
      buffers: dice.chance(0.7) ? window - 1 : few,
      linkDepth: Math.min(LINK_DEPTH_MAX, plan.config.linkDepth ?? 2),
      messageBytesMax: plan.config.messageBytesMax ?? 0,
    },
    // Who reads at once is never busy, not even within one datagram.
    unreadMax: isSlow ? unread : Number.POSITIVE_INFINITY,
    busyAt: dice.pick([0xff, 1, 2, 3]),
  };
}

/**
 * The scenario as boards can play it: what they do in another way by design is left out, rather than
 * overlooked by the oracle.
 *
 * - No hidden queue in front of a board's radio. A small peer does not pace (PROTOCOL.md, section 13):
 *   it goes by the outcomes of its own radio, which say when a datagram has left.
 *
 * Windows, link depths, budgets and times of silence are those of {@link boardPlan}.
 */
export function scenarioForBoards(scenario: Scenario, mode: BoardsMode): Scenario {
  const stations = scenario.stations.map((plan, index) =>
    isBoard(mode, scenario.seed, index) ? { ...plan, queue: { ...plan.queue, hidden: 0 } } : plan,
  );
  return { ...scenario, stations };
}
