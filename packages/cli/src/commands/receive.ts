import { mkdir } from "node:fs/promises";
import { type Command, Option } from "commander";
import type { Context } from "../context.js";
import { fileProblem } from "../explain-error.js";
import { withHelp } from "../help.js";
import { byteCount } from "../option-values.js";
import { LINK_NOTES, type LinkOptions, openObserved, withLink } from "./common-options.js";
import { type ReceiveOptions, receiveFrom } from "./receiving.js";

const MAX_BYTES_DEFAULT = 2 ** 30;

export function addReceive(program: Command, context: Context): void {
  const command = program
    .command("receive")
    .description("Store each message that arrives as a file, and answer requests with its digest.")
    .argument("[folder]", "where to put them; it is made if it is not there", ".");
  withLink(command)
    .option("--once", "end after the first message")
    .option("--raw", "store MessagePack values as they are, not as JSON")
    .addOption(
      new Option("--max-bytes <bytes>", "refuse longer messages")
        .argParser(byteCount)
        .default(MAX_BYTES_DEFAULT, "1GiB"),
    )
    .action((folder: string, options: ReceiveOptions & LinkOptions) =>
      receive(folder, options, context),
    );
  withHelp(command, {
    examples: [
      ["fardel receive inbox --link udp::7400", "stores what comes in on UDP port 7400"],
      [
        "fardel receive --link serial:/dev/ttyUSB0 --json",
        "the same for what boards send by radio, told as lines of JSON",
      ],
      [
        "fardel receive inbox --link lossy:loss=0.2,every=1s",
        "tries it: a simulated board sends a reading each second",
      ],
    ],
    exitCodes: {
      done: "done (--once)",
      failed: "a message could not be stored, or had another digest than announced",
      interrupted: "ended by Ctrl-C; all messages were stored",
    },
    notes: [
      [
        "Files:",
        "  a named message (fardel send --named)   under its name, made safe; NAME-2 if it is taken",
        "  a MessagePack map or list               message-TIME-PEER-N.json",
        "  any other                               message-TIME-PEER-N.bin",
        "  A file appears under its name only when all of it is on the disk.",
      ].join("\n"),
      ...LINK_NOTES,
    ],
  });
}

async function receive(
  folder: string,
  options: ReceiveOptions & LinkOptions,
  context: Context,
): Promise<void> {
  try {
    await mkdir(folder, { recursive: true });
  } catch (error) {
    throw fileProblem(folder, error);
  }
  const open = await openObserved(options, context);
  await receiveFrom(open, folder, options, context);
}
