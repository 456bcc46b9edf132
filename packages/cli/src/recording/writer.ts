import { createWriteStream } from "node:fs";
import { type FileHandle, open, stat } from "node:fs/promises";
import type { Writable } from "node:stream";
import { fileProblem } from "../explain-error.js";
import { bytes as countBytes } from "../format.js";
import { EXIT, Problem } from "../problem.js";
import { encoderFor, LinesEncoder, type RecordingEncoder } from "./encoder.js";
import type { RecordedDatagram, RecordedLoss, RecordingHead } from "./format.js";

/** Limits of a recording. */
export interface RecordingLimits {
  /** Bytes that wait for the disk. When full: datagrams are left out, and counted. Default 4 MiB. */
  readonly pendingBytesMax?: number;
  /** Bytes of the whole file. When full: the recording ends there. Default 1 GiB. */
  readonly fileBytesMax?: number;
}

const NOTHING = new Uint8Array(0);
export const PENDING_BYTES_MAX = 4 * 1024 * 1024;
export const FILE_BYTES_MAX = 1024 * 1024 * 1024;

/**
 * Writes a recording. Never makes anybody wait: what the disk cannot take is left out and counted,
 * and the file says where.
 */
export class RecordingWriter {
  readonly #stream: Writable;
  readonly #encoder: RecordingEncoder;
  readonly #path: string;
  readonly #pendingBytesMax: number;
  readonly #fileBytesMax: number;
  #fileBytes = 0;
  #written = 0;
  #dropped = 0;
  /** Left out since the last datagram that was written. */
  #hole = 0;
  #hasEnded = false;
  #holeAtUs = 0;
  #problem: Problem | undefined;
  /** Called once, when the recording ends before its owner ended it. */
  onProblem: ((problem: Problem) => void) | undefined;

  /**
   * Make a new file. Its format is that of its suffix: pcapng, or lines of JSON.
   * @throws {@link Problem} `file-exists`, or `file` with what the system says
   */
  static async create(
    path: string,
    head: RecordingHead,
    limits: RecordingLimits = {},
  ): Promise<RecordingWriter> {
    const file = await openNew(path);
    const stream = createWriteStream(path, { fd: file });
    return new RecordingWriter(stream, path, head, limits, encoderFor(path, head));
  }

  /** @param path - for messages */
  constructor(
    stream: Writable,
    path: string,
    head: RecordingHead,
    limits: RecordingLimits = {},
    encoder: RecordingEncoder = new LinesEncoder(head),
  ) {
    this.#stream = stream;
    this.#encoder = encoder;
    this.#path = path;
    this.#pendingBytesMax = limits.pendingBytesMax ?? PENDING_BYTES_MAX;
    this.#fileBytesMax = limits.fileBytesMax ?? FILE_BYTES_MAX;
    stream.on("error", (error) => this.#fail(fileProblem(path, error)));
    this.#append(encoder.begin());
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
    const size = this.#encoder.sizeOf(datagram);
    if (this.#fileBytes + size + this.#encoder.endBytes > this.#fileBytesMax) {
      this.#drop(datagram.atUs);
      this.#fail(this.#tooLong());
      return;
    }
    if (this.#stream.writableLength + size > this.#pendingBytesMax) {
      this.#drop(datagram.atUs);
      return;
    }
    this.#tellOfHole();
    this.#append(this.#encoder.datagram(datagram));
    this.#written++;
  }

  /** The same for a source that can wait: it waits for the disk, and nothing is left out. */
  async writeWhole(datagram: RecordedDatagram): Promise<void> {
    const isFull = () =>
      this.#stream.writableLength + this.#encoder.sizeOf(datagram) > this.#pendingBytesMax;
    while (!this.#problem && isFull()) await this.#drained();
    this.write(datagram);
  }

  /** So many are missing already where the datagrams come from. */
  noteHole({ atUs, dropped }: RecordedLoss): void {
    if (this.#hole === 0) this.#holeAtUs = atUs;
    this.#hole += dropped;
  }

  /** Resolves when what waits has been taken, or never will be. */
  #drained(): Promise<void> {
    return new Promise((resolve) => {
      this.#stream.write(NOTHING, () => resolve());
    });
  }

  /** Waits until all is on disk; afterwards {@link RecordingWriter.problem} is final. */
  async close(): Promise<void> {
    if (this.#stream.destroyed) return;
    if (!this.#hasEnded) this.#appendEnd();
    await new Promise<void>((resolve) => {
      this.#stream.once("close", resolve);
      this.#stream.end();
    });
  }

  /** Room for it was kept. */
  #appendEnd(): void {
    this.#hasEnded = true;
    if (this.#problem) return;
    this.#tellOfHole();
    this.#append(this.#encoder.end());
  }

  #append(piece: Uint8Array): void {
    if (piece.length === 0) return;
    this.#fileBytes += piece.length;
    this.#stream.write(piece);
  }

  #drop(atUs: number): void {
    this.#dropped++;
    if (this.#hole++ === 0) this.#holeAtUs = atUs;
  }

  #tellOfHole(): void {
    if (this.#hole === 0) return;
    this.#append(this.#encoder.hole({ atUs: this.#holeAtUs, dropped: this.#hole }));
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
