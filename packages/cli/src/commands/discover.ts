import { type Command, InvalidArgumentError } from "commander";
import type { Context } from "../context.js";
import { withHelp } from "../help.js";
import { refuseReplay } from "../link-address/replay.js";
import { durationUs } from "../option-values.js";
import type { PairingLink } from "../paired/paired-boards.js";
import { usageProblem } from "../problem.js";
import { LINK_NOTES, type LinkOptions, openObserved, withLink } from "./common-options.js";
import { Search, type SearchSettings } from "./discover-run.js";

interface Options extends LinkOptions {
  readonly kind?: string;
  readonly prefix?: string;
  readonly pairing?: boolean;
  /** Microseconds. */
  readonly for?: number;
  readonly once?: boolean;
  readonly channels?: readonly number[];
}

/** Adds `fardel discover`: which boards are in range, live. */
export function addDiscover(program: Command, context: Context): void {
  const command = program
    .command("discover")
    .description("Show which boards are in range, live, the strongest first.");
  withLink(command)
    .option("--kind <kind>", "only boards of this kind, such as row-station")
    .option("--prefix <text>", "only boards whose name begins so")
    .option("--pairing", "only boards in pairing mode")
    .option("--for <time>", "end after this time, such as 30s", durationUs)
    .option("--once", "end when nobody new answers any more, some seconds")
    .option("--channels <list>", "look on these radio channels, such as 1,6,11", channelList)
    .action((options: Options) => runDiscover(options, context));
  withHelp(command, {
    notes: [
      [
        "What boards say of themselves is a claim, and a strong signal proves nothing: pairing does.",
        "Messages that arrive meanwhile are refused. With --channels sessions stand still; the link",
        "goes back to its own channel at the end.",
      ].join("\n"),
      ...LINK_NOTES,
    ],
    examples: [
      [
        "fardel discover --once --link 'lossy:boards=3,distance=20'",
        "three simulated boards, between rows of trees",
      ],
      ["fardel discover --pairing --link serial:/dev/ttyUSB0", "whose button was pressed?"],
      [
        "fardel discover --once --channels 1,6,11 --json --link serial:/dev/ttyUSB0",
        "on three radio channels, for a program",
      ],
    ],
    exitCodes: {
      done: "done, also if nobody was found",
      failed: "the search, or the recording, failed",
    },
  });
}

async function runDiscover(options: Options, context: Context): Promise<void> {
  refuseReplay(options.link, "discover");
  const open = await openObserved(options, context, true);
  try {
    await new Search(open, settingsOf(options, open), context).run();
  } finally {
    await open.close();
  }
}

function settingsOf(options: Options, open: PairingLink): SearchSettings {
  const { kind, prefix, pairing = false, once = false, channels, json = false } = options;
  const channelPlan = channels && { channels, ...channelsOf(open) };
  checkBroadcast(open);
  return {
    filter: {
      pairingOnly: pairing,
      ...(kind !== undefined && { kind }),
      ...(prefix !== undefined && { namePrefix: prefix }),
    },
    ...(channelPlan && { channelPlan }),
    once,
    ...(options.for !== undefined && { forUs: options.for }),
    form: json ? "json" : "table",
  };
}

/** @throws Problem where nobody can be asked who is there */
export function checkBroadcast({ link }: PairingLink): void {
  if (link.broadcastAddress) return;
  throw usageProblem(
    "This link cannot reach everybody at once, so no board can be found over it. With udp: give its broadcast address, such as udp::7400?broadcast=192.168.1.255:7400; else name the board by its address.",
    "no-broadcast",
  );
}

function channelsOf({ radio }: PairingLink) {
  if (!radio) {
    throw usageProblem(
      "This link has no radio channel that can be set: leave --channels out. (A lossy: link has some with channels=1+6+11.)",
      "no-channels",
    );
  }
  const homeChannel = radio.channel();
  if (homeChannel === undefined) {
    throw usageProblem(
      "The bridge does not say on which radio channel it is, so there is no way back: leave --channels out.",
      "no-channels",
    );
  }
  return { homeChannel, setChannel: (channel: number) => radio.setChannel(channel) };
}

/** As many as a bridge can be told to use; BRIDGE.md. */
const CHANNEL_MAX = 255;

function channelList(text: string): number[] {
  const channels = text.split(",").map((each) => (/^\d{1,3}$/.test(each) ? Number(each) : 0));
  if (channels.every((channel) => channel >= 1 && channel <= CHANNEL_MAX)) return channels;
  throw new InvalidArgumentError(`Give numbers from 1 to ${CHANNEL_MAX}, such as 1,6,11.`);
}
