import { type Address, Endpoint } from "@fardel/core";
import { type Command, Option } from "commander";
import type { Context } from "../context.js";
import { withHelp } from "../help.js";
import type { OpenLink } from "../link-address/open-link.js";
import { refuseReplay } from "../link-address/replay.js";
import { durationUs, wholeNumber } from "../option-values.js";
import { usageProblem } from "../problem.js";
import { LINK_NOTES, openObserved, withLink } from "./common-options.js";
import { readContent } from "./send-content.js";
import { Sending, type SendingOptions } from "./sending.js";

export function addSend(program: Command, context: Context): void {
  const command = program
    .command("send")
    .description("Send a file, the input or a value as one message, and wait until it is there.")
    .argument("[file]", "a file, or - for the input");
  withLink(command)
    .option(
      "-t, --to <address>",
      "the peer: name of a paired board, 02:00:00:00:00:0a, or HOST:PORT over UDP",
    )
    .option("--value <json>", "send this value as MessagePack in place of a file")
    .option(
      "--named [name]",
      "send the name along, so that fardel receive stores it under it (default: the file's)",
    )
    .option("--request", "wait for the reply of the peer's program, and print it")
    .addOption(
      new Option("--priority <priority>", "what goes first")
        .choices(["bulk", "normal", "urgent"])
        .default("normal"),
    )
    .addOption(
      new Option("--way <way>", "how it travels").choices([
        "ordered",
        "unordered",
        "latest",
        "unacknowledged",
      ]),
    )
    .option(
      "--channel <number>",
      "channel within the way, 0 to 5 for ordered, 0 to 3 for others",
      wholeNumber(0, 5),
    )
    .option(
      "--window <fragments>",
      "fragments of a reply that are taken ahead, 1 to 255 (default: 64)",
      wholeNumber(1, 255),
    )
    .option(
      "--deadline <time>",
      "give up after this time, such as 30s (default: 10min)",
      durationUs,
    )
    .addOption(
      new Option("--after-restart <what>", "if the peer restarts when it may have arrived").choices(
        ["report", "resend"],
      ),
    )
    .action((file: string | undefined, options: SendingOptions) => send(file, options, context));
  withHelp(command, {
    examples: [
      [
        "fardel send fans.bin --link lossy:loss=0.2",
        "tries it on a simulated channel, with nothing attached",
      ],
      [
        "fardel send fans.bin --link serial:/dev/ttyUSB0 --to 02:00:00:00:00:0a --priority bulk",
        "sends a file to a board through the bridge on that port",
      ],
      [
        `fardel send --value '{"fan": "on"}' --request --deadline 5s --link udp: --to 192.168.1.5:7400`,
        "sends a command and prints the reply",
      ],
    ],
    exitCodes: { failed: "not delivered, or not answered" },
    notes: LINK_NOTES,
  });
}

async function send(
  file: string | undefined,
  options: SendingOptions,
  context: Context,
): Promise<void> {
  checkTogether(options);
  const content = await readContent({ ...options, file }, context);
  refuseReplay(options.link, "send");
  const open = await openObserved(options, context);
  try {
    const address = await peerAddress(options.to, open);
    const endpoint = await Endpoint.open({
      link: open.link,
      clock: context.clock,
      ...open.endpointOptions,
      ...(options.window !== undefined && { window: options.window }),
      // One message is all that waits; its size was checked when it was read.
      sendQueueBytesMax: content.message.length + 1024,
    });
    try {
      await new Sending(content, options, open, endpoint.peer(address), context).run();
    } finally {
      await endpoint.close();
    }
  } finally {
    await open.close();
  }
}

function checkTogether({ request, way, channel }: SendingOptions): void {
  if (request && way !== undefined)
    throw usageProblem("--way does not go with --request: requests have a way of their own.");
  if (request && channel !== undefined)
    throw usageProblem(
      "--channel does not go with --request: requests have a channel of their own.",
    );
}

async function peerAddress(to: string | undefined, open: OpenLink): Promise<Address> {
  if (to !== undefined) return open.parseAddress(to);
  if (open.onlyPeer) return open.onlyPeer;
  throw usageProblem(
    "Say to whom: --to ADDRESS. On a lossy: link with one board it may be left out.",
  );
}
