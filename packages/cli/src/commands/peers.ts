import { readFile, writeFile } from "node:fs/promises";
import { addressText, type PairedPeer } from "@fardel/pairing";
import type { Command } from "commander";
import type { Context } from "../context.js";
import { fileProblem } from "../explain-error.js";
import { counted } from "../format.js";
import { withHelp } from "../help.js";
import { printable, writeJson } from "../output.js";
import { openBook, type StoreOptions } from "../paired/paired-boards.js";
import { tableLines } from "../render.js";
import { jsonOption, storeOption } from "./common-options.js";

interface Options extends StoreOptions {
  readonly json?: boolean;
  readonly replace?: boolean;
}

/** Only its owner may read what holds keys. */
const PRIVATE_MODE = 0o600;

export function addPeers(program: Command, context: Context): void {
  const command = program
    .command("peers")
    .description("Paired boards: list, rename, revoke, forget, export and import them.");
  const add = (name: string, description: string, ...args: string[]) => {
    const sub = command.command(name).description(description);
    for (const arg of args) sub.argument(...(ARGUMENTS[arg] as [string, string]));
    return sub.addOption(storeOption()).addOption(jsonOption());
  };
  command.addOption(storeOption()).addOption(jsonOption());
  command.action((options: Options) => list(options, context));
  add("list", "list them (also without a word)").action((_: Options, sub: Command) =>
    list(sub.optsWithGlobals(), context),
  );
  add("rename", "give a board another name", "board", "name").action(
    (board: string, name: string, _: Options, sub: Command) =>
      rename(board, name, sub.optsWithGlobals(), context),
  );
  add(
    "revoke",
    "trust a board no more: its keys are deleted, nothing goes to it or comes from it",
    "board",
  ).action((board: string, _: Options, sub: Command) =>
    revoke(board, sub.optsWithGlobals(), context),
  );
  add("forget", "forget a board: it is a stranger again, spoken to in plain", "board").action(
    (board: string, _: Options, sub: Command) => forget(board, sub.optsWithGlobals(), context),
  );
  add("export", "write all of them, keys included, into a file of its own", "file").action(
    (file: string, _: Options, sub: Command) => exportTo(file, sub.optsWithGlobals(), context),
  );
  add("import", "take boards from such a file; those that are known stay as they are", "file")
    .option("--replace", "those in the file take the place of what is known under their addresses")
    .action((file: string, _: Options, sub: Command) =>
      importFrom(file, sub.optsWithGlobals(), context),
    );
  withHelp(command, {
    examples: [
      ["fardel peers", "lists the boards that are paired"],
      ["fardel peers rename board-0200000000b7 row-7", "names one; --to row-7 then means it"],
      ["fardel peers revoke row-7", "when it was stolen; pair it again to trust it again"],
      ["fardel peers export boards.json", "for another gateway; the file holds keys"],
    ],
    exitCodes: {
      failed: "the store is damaged, or could not be written: nothing has changed",
      usage: "no such board, the name is taken, or a file cannot be understood",
    },
    notes: [
      "A board is meant by its name, the beginning of its name, or its address.\nThe store is a file that only its owner may read. It holds keys in plain.",
    ],
  });
}

const ARGUMENTS: Readonly<Record<string, readonly [string, string]>> = {
  board: ["<board>", "name, beginning of a name, or address"],
  name: ["<name>", "the new name, 1 to 64 characters"],
  file: ["<file>", "the file"],
};

async function list(options: Options, context: Context): Promise<void> {
  const peers = await openBook(options, context).list();
  const { output } = context;
  if (options.json) {
    writeJson(output, { type: "peers", peers: peers.map(peerObject) });
    return;
  }
  if (peers.length === 0) {
    output.out(
      "No board is paired yet. fardel pair does that; fardel discover shows who is there.\n",
    );
    return;
  }
  const rows = peers.map((peer) => [
    peer.name,
    addressText(peer.address),
    peer.kind ?? "",
    protectionOf(peer),
    peer.radioChannel === undefined ? "" : String(peer.radioChannel),
    day(peer.firstSeenMs),
    day(peer.lastSeenMs),
  ]);
  output.out(`${tableLines(COLUMNS, rows).join("\n")}\n`);
}

const COLUMNS = [
  ...["Name", "Address", "Kind", "Protection"].map((title) => ({ title })),
  { title: "Channel", align: "right" as const },
  ...["First seen", "Last seen"].map((title) => ({ title })),
];

async function rename(board: string, name: string, options: Options, context: Context) {
  const book = openBook(options, context);
  const before = await book.find(board);
  tell("renamed", await book.rename(board, name), options, context, [
    `${printable(before.name)} is called ${printable(name)} now.`,
  ]);
}

async function revoke(board: string, options: Options, context: Context): Promise<void> {
  const nowMs = context.today().getTime();
  const peer = await openBook(options, context).revoke(board, nowMs);
  tell("revoked", peer, options, context, [
    `${printable(peer.name)} is revoked: its keys are deleted, nothing goes to it or comes from it.`,
    "It still knows what it knew. A gateway that is running takes this up when it is started again.",
  ]);
}

async function forget(board: string, options: Options, context: Context): Promise<void> {
  const peer = await openBook(options, context).forget(board);
  tell("forgotten", peer, options, context, [
    `${printable(peer.name)} is forgotten. Whoever speaks from its address is a stranger, in plain.`,
  ]);
}

function tell(
  what: string,
  peer: PairedPeer,
  { json }: Options,
  { output }: Context,
  sentences: readonly string[],
): void {
  if (json) writeJson(output, { type: what, peer: peerObject(peer) });
  else output.out(`${sentences.join("\n")}\n`);
}

async function exportTo(file: string, options: Options, context: Context): Promise<void> {
  const book = openBook(options, context);
  const peers = await book.list();
  try {
    // Never over a file that is there: it could be the only copy of other keys.
    await writeFile(file, await book.export(), { mode: PRIVATE_MODE, flag: "wx" });
  } catch (error) {
    throw fileProblem(file, error);
  }
  if (options.json) writeJson(context.output, { type: "exported", file, peers: peers.length });
  else
    context.output.out(
      `${counted(peers.length, "board")} written to ${printable(file)}, with their keys: keep it private.\n`,
    );
}

async function importFrom(file: string, options: Options, context: Context): Promise<void> {
  let text: string;
  try {
    text = await readFile(file, "utf8");
  } catch (error) {
    throw fileProblem(file, error);
  }
  const taken = await openBook(options, context).import(text, options.replace === true);
  if (options.json) {
    writeJson(context.output, { type: "imported", peers: taken.map(peerObject) });
    return;
  }
  const names = taken.map(({ name }) => printable(name)).join(", ");
  context.output.out(
    taken.length === 0
      ? "Nothing is new in it. --replace takes what it holds in place of what is known.\n"
      : `${counted(taken.length, "board")} taken: ${names}.\n`,
  );
}

function protectionOf({ keys, revokedMs }: PairedPeer): string {
  if (revokedMs !== undefined) return `revoked ${day(revokedMs)}`;
  return keys.length > 0 ? "protected" : "none";
}

function day(ms: number): string {
  return new Date(ms).toISOString().slice(0, 16).replace("T", " ");
}

/** What `--json` tells of a board; never its keys. */
function peerObject(peer: PairedPeer): Readonly<Record<string, unknown>> {
  const { address, name, kind, radioChannel, firstSeenMs, lastSeenMs, keys, revokedMs } = peer;
  return {
    name,
    address: addressText(address),
    ...(kind !== undefined && { kind }),
    isProtected: keys.length > 0,
    isRevoked: revokedMs !== undefined,
    ...(radioChannel !== undefined && { radioChannel }),
    firstSeen: new Date(firstSeenMs).toISOString(),
    lastSeen: new Date(lastSeenMs).toISOString(),
    ...(revokedMs !== undefined && { revoked: new Date(revokedMs).toISOString() }),
  };
}
