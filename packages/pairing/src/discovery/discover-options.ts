import type { Clock } from "@fardel/core";
import { invalidOption } from "../pairing-error.js";
import {
  ANNOUNCED_NAME_BYTES_MAX,
  checkInteger,
  checkText,
  KIND_BYTES_MAX,
} from "./announce-body.js";
import type { Found } from "./found-table.js";
import { platformRandom } from "./platform.js";
import type { QueryFilter } from "./query-body.js";
import { FOUND_MAX } from "./searcher.js";

/**
 * - `ask`: asks until nobody new answers, on each radio channel, then ends.
 * - `ask-and-listen`: asks likewise, and then listens on until its time is over or it is stopped.
 * - `listen`: sends nothing. Hears boards in pairing mode, and those that have just started.
 */
export type DiscoverMode = "ask" | "ask-and-listen" | "listen";

/** How to look for boards. */
export interface DiscoverOptions {
  /** Boards of this kind only, at most 16 bytes of UTF-8. Default "": all. */
  readonly kind?: string;
  /** Boards whose name begins with this only, at most 32 bytes of UTF-8. */
  readonly namePrefix?: string;
  /** Boards in pairing mode only. Default false. */
  readonly pairingOnly?: boolean;
  /** Default `ask`. */
  readonly mode?: DiscoverMode;
  /** The longest that it takes in all, microseconds. Default 30 s. Radio channels share it. */
  readonly durationUs?: number;
  /** Ends the search early; what was found until then counts. */
  readonly signal?: AbortSignal;
  /** Called with each board when it is found. What it throws surfaces as an uncaught error of its own. */
  readonly onFound?: (found: Found) => void;
  /** Boards remembered, 1..65536. When full: the one heard longest ago gives way. Default 512. */
  readonly foundMax?: number;
  /** Radio channels to visit, in this order, each once; needs `setChannel` and `homeChannel`. */
  readonly channels?: readonly number[];
  /** Sets the radio channel: that of the link or bridge. Sessions on the own channel stand still meanwhile. */
  readonly setChannel?: (channel: number) => void | Promise<void>;
  /** The radio channel to go back to at the end, whatever happens. */
  readonly homeChannel?: number;
  /** The endpoint's; default real time. */
  readonly clock?: Clock;
  /** Uniform unsigned 32-bit numbers; default the platform's cryptographic source. */
  readonly random?: () => number;
}

/** Where to look, one after the other. */
export interface ChannelPlan {
  readonly channels: readonly number[];
  readonly homeChannel: number;
  readonly setChannel: (channel: number) => void | Promise<void>;
}

/** {@link DiscoverOptions}, checked and complete. */
export interface DiscoverPlan {
  readonly filter: QueryFilter;
  readonly mode: DiscoverMode;
  readonly durationUs: number;
  readonly foundMax: number;
  readonly random: () => number;
  /** Left out: the link stays where it is. */
  readonly channelPlan?: ChannelPlan;
}

const DURATION_US = 30_000_000;
const MODES: readonly DiscoverMode[] = ["ask", "ask-and-listen", "listen"];

/** @throws {@link PairingError} `invalid-option` */
export function planOf(options: DiscoverOptions): DiscoverPlan {
  const { kind = "", namePrefix = "", pairingOnly = false, mode = "ask" } = options;
  const { durationUs = DURATION_US, foundMax = FOUND_MAX, random = platformRandom } = options;
  checkText("kind", kind, KIND_BYTES_MAX);
  checkText("namePrefix", namePrefix, ANNOUNCED_NAME_BYTES_MAX);
  if (!MODES.includes(mode))
    throw invalidOption("mode", `${String(mode)} is none of ${MODES.join(", ")}`);
  checkInteger("durationUs", durationUs, 1, Number.MAX_SAFE_INTEGER);
  checkInteger("foundMax", foundMax, 1, 65_536);
  const channelPlan = channelPlanOf(options);
  const filter = { kind, namePrefix, pairingOnly };
  return { filter, mode, durationUs, foundMax, random, ...(channelPlan && { channelPlan }) };
}

function channelPlanOf(options: DiscoverOptions): ChannelPlan | undefined {
  const { channels, setChannel, homeChannel } = options;
  if (channels === undefined && setChannel === undefined && homeChannel === undefined)
    return undefined;
  if (channels === undefined || channels.length === 0)
    throw invalidOption("channels", "name at least one radio channel to visit");
  if (setChannel === undefined) throw invalidOption("setChannel", "needed to visit radio channels");
  if (homeChannel === undefined)
    throw invalidOption("homeChannel", "needed, to go back to it at the end");
  for (const channel of channels) checkInteger("channels", channel, 0, 65_535);
  checkInteger("homeChannel", homeChannel, 0, 65_535);
  return { channels: [...new Set(channels)], setChannel, homeChannel };
}
