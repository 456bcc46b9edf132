import type { ServerResponse } from "node:http";
import type { LiveWatch, SnapshotRequest } from "../live/live-watch.js";

/** Pages that look at once. */
export const READERS_MAX = 16;
/** A page that has not taken what it was sent for so long is given up, ms. */
const STUCK_MS_MAX = 60_000;
/** With nothing to tell for so long, a line goes out to show that the line is alive, ms. */
const HEARTBEAT_MS = 15_000;
/** How long a page may take for its last line before its connection is cut, ms. */
const FAREWELL_MS = 250;

/** Sends snapshots to every page that looks: server-sent events, HTML standard, 9.2. */
export class Readers {
  readonly #watch: LiveWatch;
  readonly #readers = new Set<Reader>();
  #stopLooking = () => {};
  #isClosed = false;

  constructor(watch: LiveWatch) {
    this.#watch = watch;
  }

  get count(): number {
    return this.#readers.size;
  }

  /** @returns whether there was room */
  add(response: ServerResponse, request: SnapshotRequest): boolean {
    if (this.#isClosed || this.#readers.size >= READERS_MAX) return false;
    const reader = new Reader(response, request, this.#watch);
    if (this.#readers.size === 0) {
      this.#stopLooking = this.#watch.onLook(() => {
        for (const one of this.#readers) one.send();
      });
    }
    this.#readers.add(reader);
    response.once("close", () => {
      this.#readers.delete(reader);
      reader.stop();
      if (this.#readers.size === 0) this.#stopLooking();
    });
    reader.send();
    return true;
  }

  /** Tells every page that it is over. */
  async close(): Promise<void> {
    this.#isClosed = true;
    this.#stopLooking();
    await Promise.all([...this.#readers].map((reader) => reader.end()));
  }
}

/** One page. What it is too slow for is left out: the next snapshot has all of it. */
class Reader {
  readonly #response: ServerResponse;
  readonly #watch: LiveWatch;
  readonly #heartbeat: ReturnType<typeof setInterval>;
  #request: SnapshotRequest;
  #isStuck = false;
  #stuckTimer: ReturnType<typeof setTimeout> | undefined;

  constructor(response: ServerResponse, request: SnapshotRequest, watch: LiveWatch) {
    this.#response = response;
    this.#request = request;
    this.#watch = watch;
    response.writeHead(200, { "Content-Type": "text/event-stream; charset=utf-8" });
    response.on("error", () => {});
    response.on("drain", () => this.#unstick());
    this.#heartbeat = setInterval(() => {
      if (!this.#isStuck) this.#write(":\n\n");
    }, HEARTBEAT_MS);
  }

  send(): void {
    if (this.#isStuck) return;
    const snapshot = this.#watch.snapshot(this.#request);
    const { order, afterEvent, afterUs } = this.#request;
    this.#request = {
      order,
      afterEvent: snapshot.events.at(-1)?.number ?? afterEvent,
      afterUs: snapshot.curve.at(-1)?.atUs ?? afterUs,
    };
    this.#write(`event: snapshot\ndata: ${JSON.stringify(snapshot)}\n\n`);
  }

  /** Resolves when the last line is out, or was waited for long enough. */
  end(): Promise<void> {
    this.stop();
    return new Promise((resolve) => {
      const timer = setTimeout(() => {
        this.#response.destroy();
        resolve();
      }, FAREWELL_MS);
      this.#response.end("event: ended\ndata: {}\n\n", () => {
        clearTimeout(timer);
        resolve();
      });
    });
  }

  stop(): void {
    clearInterval(this.#heartbeat);
    clearTimeout(this.#stuckTimer);
  }

  #write(text: string): void {
    if (this.#response.write(text)) return;
    this.#isStuck = true;
    this.#stuckTimer = setTimeout(() => this.#response.destroy(), STUCK_MS_MAX);
  }

  #unstick(): void {
    this.#isStuck = false;
    clearTimeout(this.#stuckTimer);
  }
}
