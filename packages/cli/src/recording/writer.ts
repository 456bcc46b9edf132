import { createWriteStream } from "node:fs";
import { type FileHandle, open, stat } from "node:fs/promises";
import type { Writable } from "node:stream";
import { fileProblem } from "../explain-error.js";
import { bytes as countBytes } from "../format.js";
import { EXIT, Problem } from "../problem.js";
import {
  encodeDatagram,
  encodeHead,
  encodeLoss,
  type RecordedDatagram,
  type RecordingHead,
} from "./format.js";

/** Limits of a recording. */
export interface RecordingLimits {
  /** Bytes that wait for the disk. When full: datagrams are left out, and counted. Default 4 MiB. */
  readonly pendingBytesMax?: number;
  /** Bytes of the whole file. When full: the recording ends there. Default 1 GiB. */
  readonly fileBytesMax?: number;
}

export const PENDING_BYTES_MAX = 4 * 1024 * 1024;
export const FILE_BYTES_MAX = 1024 * 1024 * 1024;
/** Room that is kept for a last line about what is missing. */
const LOSS_LINE_BYTES = 64;

/**
 * Writes a recording. Never makes anybody wait: what the disk cannot take is left out and counted,
 * and the file says where.
 */
export class RecordingWriter {
  readonly #stream: Writable;
  readonly #path: string;
  readonly #pendingBytesMax: number;
  readonly #fileBytesMax: number;
  #fileBytes = 0;
  #written = 0;
  #dropped = 0;
  /** Left out since the last line. */
  #hole = 0;
  #holeAtUs = 0;
  #problem: Problem | undefined;
  /** Called once, when the recording ends before its owner ended it. */
  onProblem: ((problem: Problem) => void) | undefined;

  /**
   * Make a new file.
   * @throws {@link Problem} `file-exists`, or `file` with what the system says
   */
  static async create(
    path: string,
    head: RecordingHead,
    limits: RecordingLimits = {},
  ): Promise<RecordingWriter> {
    const file = await openNew(path);
    const stream = createWriteStream(path, { fd: file });
    return new RecordingWriter(stream, path, head, limits);
  }

  /** @param path - for messages */
  constructor(stream: Writable, path: string, head: RecordingHead, limits: RecordingLimits = {}) {
    this.#stream = stream;
    this.#path = path;
    this.#pendingBytesMax = limits.pendingBytesMax ?? PENDING_BYTES_MAX;
    this.#fileBytesMax = limits.fileBytesMax ?? FILE_BYTES_MAX;
    stream.on("error", (error) => this.#fail(fileProblem(path, error)));
    this.#append(encodeHead(head));
  }

  /** Datagrams written, or handed to the system to be written. */
  get written(): number {
    return this.#written;
  }

  /** Datagrams left out. */
  get dropped(): number {
    return this.#dropped;
  }

  /** Why the recording ended before its owner ended it. */
  get problem(): Problem | undefined {
    return this.#problem;
  }

  write(datagram: RecordedDatagram): void {
    if (this.#problem) {
      this.#dropped++;
      return;
    }
    const line = encodeDatagram(datagram);
    if (this.#fileBytes + line.length + LOSS_LINE_BYTES > this.#fileBytesMax) {
      this.#drop(datagram.atUs);
      this.#fail(this.#tooLong());
      return;
    }
    if (this.#stream.writableLength + line.length > this.#pendingBytesMax) {
      this.#drop(datagram.atUs);
      return;
    }
    this.#tellOfHole();
    this.#append(line);
    this.#written++;
  }

  /** Waits until all is on disk; afterwards {@link RecordingWriter.problem} is final. */
  async close(): Promise<void> {
    if (!this.#problem) this.#tellOfHole();
    if (this.#stream.destroyed) return;
    await new Promise<void>((resolve) => {
      this.#stream.once("close", resolve);
      this.#stream.end();
    });
  }

  #append(line: string): void {
    this.#fileBytes += Buffer.byteLength(line);
    this.#stream.write(line);
  }

  #drop(atUs: number): void {
    this.#dropped++;
    if (this.#hole++ === 0) this.#holeAtUs = atUs;
  }

  #tellOfHole(): void {
    if (this.#hole === 0) return;
    this.#append(encodeLoss({ atUs: this.#holeAtUs, dropped: this.#hole }));
    this.#hole = 0;
  }

  #fail(problem: Problem): void {
    if (this.#problem) return;
    this.#problem = problem;
    this.onProblem?.(problem);
  }

  #tooLong(): Problem {
    return new Problem(
      EXIT.failed,
      "recording-full",
      `${this.#path} has reached ${countBytes(this.#fileBytesMax)}, the most that a recording takes; it ends here. Start another one.`,
    );
  }
}

/** Nothing that exists is written over; devices and pipes may be written to. */
async function openNew(path: string): Promise<FileHandle> {
  try {
    return await open(path, "wx");
  } catch (error) {
    const found = await stat(path).catch(() => undefined);
    if (!found) throw fileProblem(path, error);
    if (found.isFile() || found.isDirectory()) {
      const sentence = `${path} exists already. Choose another name for the recording, or remove it.`;
      throw new Problem(EXIT.usage, "file-exists", sentence, { details: { path } });
    }
    return open(path, "w").catch((cause: unknown) => {
      throw fileProblem(path, cause);
    });
  }
}
