import { createHash } from "node:crypto";
import { open } from "node:fs/promises";
import { basename } from "node:path";
import { encodeValue, ValueError } from "@fardel/msgpack";
import { unlessAborted } from "../abort.js";
import type { Context } from "../context.js";
import { fileProblem } from "../explain-error.js";
import { bytes as bytesText } from "../format.js";
import { codeOf } from "../message-file.js";
import { encodeHeader, NAME_BYTES_MAX } from "../named-message.js";
import { EXIT, Problem, usageProblem } from "../problem.js";

/** What a message is made of. */
export interface ContentOptions {
  /** Path, or `-` for the input. */
  readonly file: string | undefined;
  /** JSON text, to be sent as MessagePack. */
  readonly value?: string;
  /** `true`: named as the file. */
  readonly named?: string | true;
}

/** A message, ready to be sent. */
export interface Content {
  /** All of it, the header of a named message included. */
  readonly message: Uint8Array;
  /** For sentences. */
  readonly label: string;
  /** SHA-256 of the message without its header, hexadecimal. */
  readonly sha256: string;
  readonly name: string | undefined;
}

/** A message is held in memory until it has been delivered, twice for a moment. */
const MESSAGE_BYTES_MAX = 2 ** 30;

/** @throws Problem */
export async function readContent(options: ContentOptions, context: Context): Promise<Content> {
  const { file, value, named } = options;
  if (value !== undefined) return valueContent(value, options);
  if (file === undefined) {
    const swallowed =
      typeof named === "string"
        ? ` --named took "${named}" as the name: put the file before it.`
        : "";
    throw usageProblem(`Say what to send: a file, - for the input, or --value.${swallowed}`);
  }
  const name = nameOf(file, named);
  const { input, signal } = context;
  const reading = file === "-" ? readAll(input, "The input", signal) : readFileOf(file, signal);
  const content = await reading;
  return finish(content, name, file === "-" ? "the input" : file);
}

function valueContent(text: string, { file, named }: ContentOptions): Content {
  if (file !== undefined) throw usageProblem("Give a file or --value, not both.");
  if (named !== undefined) throw usageProblem("--named goes with a file, not with --value.");
  return finish(encodeJson(text), undefined, "the value");
}

function encodeJson(text: string): Uint8Array {
  let value: unknown;
  try {
    value = JSON.parse(text);
  } catch (error) {
    const why = error instanceof Error ? error.message : String(error);
    throw usageProblem(`--value is not JSON: ${why}. Mind the shell: --value '{"row": 7}'.`);
  }
  try {
    return encodeValue(value);
  } catch (error) {
    if (error instanceof ValueError) throw usageProblem(`--value: ${error.message}`);
    throw error;
  }
}

function nameOf(file: string, named: string | true | undefined): string | undefined {
  if (named === undefined) return undefined;
  const name = named === true ? basename(file) : named;
  if (named === true && file === "-") throw usageProblem("Give the input a name: --named NAME.");
  const nameBytes = Buffer.byteLength(name);
  if (nameBytes >= 1 && nameBytes <= NAME_BYTES_MAX && !/\p{Surrogate}/u.test(name)) return name;
  throw usageProblem(
    `A name has 1 to ${NAME_BYTES_MAX} bytes of UTF-8, this one has ${nameBytes}.`,
  );
}

function finish(content: Uint8Array, name: string | undefined, label: string): Content {
  const digest = createHash("sha256").update(content).digest();
  const sha256 = digest.toString("hex");
  if (name === undefined) return { message: content, label, sha256, name };
  const header = encodeHeader({ name, bytes: content.length, sha256: digest });
  return { message: Buffer.concat([header, content]), label, sha256, name };
}

async function readFileOf(path: string, signal: AbortSignal): Promise<Uint8Array> {
  try {
    const file = await open(path, "r");
    try {
      return await readAll(file.createReadStream({ autoClose: false }), path, signal);
    } finally {
      await file.close();
    }
  } catch (error) {
    throw codeOf(error).startsWith("E") ? fileProblem(path, error) : error;
  }
}

/** A pipe does not tell its length: so it is counted. */
async function readAll(
  input: AsyncIterable<Uint8Array>,
  what: string,
  signal: AbortSignal,
): Promise<Uint8Array> {
  const parts: Uint8Array[] = [];
  let length = 0;
  const reading = (async () => {
    for await (const part of input) {
      length += part.length;
      if (length > MESSAGE_BYTES_MAX) throw tooLarge(what);
      parts.push(part);
    }
  })();
  await unlessAborted(reading, signal);
  return Buffer.concat(parts, length);
}

function tooLarge(what: string): Problem {
  return new Problem(
    EXIT.usage,
    "message-too-large",
    `${what} is larger than ${bytesText(MESSAGE_BYTES_MAX)}, which is the most for one message. Split it.`,
  );
}
