/**
 * Writes `vectors/conversations.json`: some hundreds of conversations between the endpoint in TypeScript
 * and the one in C, each side's with all that it was told and all that it did, byte for byte:
 *
 * ```
 * npx tsx --tsconfig tsconfig.json packages/board-c/test/make-conversations.ts
 * ```
 *
 * A test plays each side against its record. Write them anew after a change that is meant to change what
 * goes over the link, and look at what has changed.
 */
import { writeFileSync } from "node:fs";
import { argv } from "node:process";
import { fileURLToPath } from "node:url";
import type { Conversation } from "./conversation-plan.js";
import { converse } from "./converse.js";
import { wasmProgram } from "./support/wasm-program.js";

const CONVERSATIONS = 300;
/** Longer ones are not kept: they are left to the simulations. */
const DATAGRAMS_MAX = 80;
export const FILE = new URL("./vectors/conversations.json", import.meta.url);

export async function makeConversations(): Promise<Conversation[]> {
  const program = wasmProgram("endpoint");
  const conversations: Conversation[] = [];
  for (let seed = 1; conversations.length < CONVERSATIONS; seed++) {
    const conversation = await converse(seed, program);
    if (conversation.datagrams.length <= DATAGRAMS_MAX) conversations.push(conversation);
  }
  return conversations;
}

/** A line for each, so that a change shows where it is. */
export function render(conversations: readonly Conversation[]): string {
  return `[\n${conversations.map((each) => JSON.stringify(each)).join(",\n")}\n]\n`;
}

if (argv[1] === fileURLToPath(import.meta.url)) {
  void makeConversations().then((conversations) => writeFileSync(FILE, render(conversations)));
}
