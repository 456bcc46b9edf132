import { createHash } from "node:crypto";
import { join } from "node:path";
import { type Address, FardelError, type RemotePeer } from "@fardel/core";
import { decodeValue } from "@fardel/msgpack";
import { fileProblem } from "../explain-error.js";
import { bytes as bytesText } from "../format.js";
import { MessageFile, type MessageFolder } from "../message-file.js";
import { type NamedHeader, readHeader } from "../named-message.js";
import { hex, toJson } from "../output.js";
import { EXIT, Problem } from "../problem.js";
import { safeName } from "../safe-name.js";
import type { StreamReader } from "./stream-reader.js";

export interface StoreOptions {
  readonly folder: MessageFolder;
  /** Do not write MessagePack values as JSON. */
  readonly raw: boolean;
  /** Longest message, bytes. A longer one is given up on the way. */
  readonly bytesMax: number;
  today(): Date;
  formatAddress(address: Address): string;
}

/** What became of a message. */
export type Stored = StoredMessage | StoreFault;

export interface StoredMessage {
  readonly isStored: true;
  readonly from: string;
  /** Path of the file. */
  readonly file: string;
  /** Length of the content: without the header of a named message. */
  readonly bytes: number;
  /** Of the content, hexadecimal. */
  readonly sha256: string;
  /** Whether the content is what the header of a named message announced. */
  readonly digest: "matches" | "differs" | "not-announced";
}

export interface StoreFault {
  readonly isStored: false;
  readonly from: string;
  readonly problem: Problem;
}

interface WholeMessage {
  readonly peer: RemotePeer;
  readonly bytes: Uint8Array;
}

/** What a message turned out to be, once all of it is in its file. */
interface Finished {
  readonly name: string;
  readonly bytes: number;
  readonly sha256: string;
  readonly digest: StoredMessage["digest"];
}

/** Puts messages into files; FORMATS.md says which name each gets. */
export class MessageStore {
  readonly #options: StoreOptions;
  #number = 0;

  constructor(options: StoreOptions) {
    this.#options = options;
  }

  /** A message that is there. Never rejects. */
  storeWhole({ peer, bytes }: WholeMessage): Promise<Stored> {
    const from = this.#options.formatAddress(peer.address);
    return this.#store(from, async (file) => {
      const result = readHeader(bytes, true);
      const header = result.found === "header" ? result.header : undefined;
      const json = header || this.#options.raw ? undefined : jsonOf(bytes);
      if (json !== undefined) {
        await file.write(Buffer.from(json));
        const sha256 = createHash("sha256").update(bytes).digest("hex");
        const name = this.#plainName(from, "json");
        return { name, bytes: bytes.length, sha256, digest: "not-announced" };
      }
      await file.write(result.found === "header" ? bytes.subarray(result.contentAt) : bytes);
      return this.#finish(from, file, header);
    });
  }

  /** A message that is still arriving. Never rejects. */
  storeStream(peer: RemotePeer, reader: StreamReader): Promise<Stored> {
    const from = this.#options.formatAddress(peer.address);
    return this.#store(from, async (file) => {
      const header = await this.#fill(file, reader);
      if (!reader.isCut) return this.#finish(from, file, header);
      const sentence = `Ended after ${bytesText(file.bytes)} of a message.`;
      throw new Problem(EXIT.interrupted, "interrupted", sentence);
    });
  }

  /** Writes what arrives, but for the header of a named message, which is returned. */
  async #fill(
    file: MessageFile,
    parts: AsyncIterable<Uint8Array>,
  ): Promise<NamedHeader | undefined> {
    let header: NamedHeader | undefined;
    /** What has come while it is not known whether it is a header; then nothing. */
    let start: Buffer | undefined = Buffer.alloc(0);
    for await (const part of parts) {
      if (!start) {
        await this.#write(file, part);
        continue;
      }
      start = Buffer.concat([start, part]);
      const result = readHeader(start, false);
      if (result.found === "more") continue;
      if (result.found === "header") header = result.header;
      await this.#write(file, result.found === "header" ? start.subarray(result.contentAt) : start);
      start = undefined;
    }
    if (start) await this.#write(file, start);
    return header;
  }

  async #write(file: MessageFile, bytes: Uint8Array): Promise<void> {
    const { bytesMax } = this.#options;
    if (file.bytes + bytes.length > bytesMax) {
      const sentence = `The message is longer than ${bytesText(bytesMax)}. Raise --max-bytes to take it.`;
      throw new Problem(EXIT.failed, "message-too-large", sentence);
    }
    await file.write(bytes);
  }

  #finish(from: string, file: MessageFile, header: NamedHeader | undefined): Finished {
    const { bytes } = file;
    const sha256 = file.digest();
    if (!header) {
      const name = this.#plainName(from, "bin");
      return { name, bytes, sha256: sha256.toString("hex"), digest: "not-announced" };
    }
    const isRight = bytes === header.bytes && sha256.equals(header.sha256);
    // A file that is not what it claims to be must not pass for it.
    const name = isRight ? safeName(header.name) : `${safeName(header.name)}.damaged`;
    return { name, bytes, sha256: hex(sha256), digest: isRight ? "matches" : "differs" };
  }

  /** `message-20260418T032000Z-02-00-00-00-00-0a-1.bin` */
  #plainName(from: string, extension: string): string {
    const time = this.#options
      .today()
      .toISOString()
      .replace(/[-:]|\.\d+/g, "");
    const peer = from.replace(/[^0-9A-Za-z.]+/g, "-").replace(/^-|-$/g, "");
    return `message-${time}-${peer}-${++this.#number}.${extension}`;
  }

  async #store(from: string, fill: (file: MessageFile) => Promise<Finished>): Promise<Stored> {
    const { folder } = this.#options;
    let file: MessageFile | undefined;
    try {
      file = await MessageFile.create(folder);
      const { name, ...facts } = await fill(file);
      const kept = await file.keep(name);
      return { isStored: true, from, file: join(folder.path, kept), ...facts };
    } catch (error) {
      await file?.discard();
      return { isStored: false, from, problem: problemWith(folder.path, error) };
    }
  }
}

function problemWith(path: string, error: unknown): Problem {
  if (error instanceof Problem) return error;
  if (error instanceof FardelError) {
    return new Problem(EXIT.failed, error.code, error.message, { cause: error });
  }
  return fileProblem(`A file in ${path}`, error);
}

/**
 * A MessagePack map or list as JSON. Other values are taken for bytes: any byte below 80 is a
 * number in MessagePack, and text would become one.
 */
function jsonOf(bytes: Uint8Array): string | undefined {
  const first = bytes[0] ?? 0;
  const isContainer = (first >= 0x80 && first <= 0x9f) || (first >= 0xdc && first <= 0xdf);
  if (!isContainer) return undefined;
  try {
    return `${toJson(decodeValue(bytes))}\n`;
  } catch {
    return undefined;
  }
}
