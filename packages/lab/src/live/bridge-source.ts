import { recordLink } from "@fardel/capture";
import { Endpoint, SystemClock } from "@fardel/core";
import { SerialBridgeLink } from "@fardel/serial-bridge";
import { type WebSerial, type WebSerialPort, webPortSource } from "@fardel/serial-bridge/web";
import { signal } from "@preact/signals";
import type { LiveSource } from "./gateway-source.js";
import type { LiveFeed } from "./live-feed.js";
import { LiveRecording } from "./live-recording.js";
import { LiveWatch } from "./live-watch.js";
import type { PeerOrder } from "./snapshot.js";

/** `navigator.serial`, as far as it is used: a draft that the types of browsers do not have. */
export interface BrowserSerial extends WebSerial {
  /** Lets the person choose a port; only inside a click. */
  requestPort(): Promise<WebSerialPort>;
}

/** `undefined`: this browser has none, or not on this page. */
export function browserSerial(): BrowserSerial | undefined {
  const serial: unknown = "serial" in navigator ? navigator.serial : undefined;
  return isBrowserSerial(serial) ? serial : undefined;
}

function isBrowserSerial(value: unknown): value is BrowserSerial {
  return typeof value === "object" && value !== null && "requestPort" in value;
}

/** What an asker is told, as by `fardel monitor`. */
const REFUSAL = "Here is a monitor, which answers no requests.";

/** Lines of the board's own text, and of others between frames, that become events: no more a minute. */
const LINES_A_MINUTE_MAX = 20;

/** Bit rates that a person can choose; 0: whichever answers. */
export const BIT_RATES = [0, 115_200, 921_600, 460_800, 230_400, 57_600] as const;

/** How much of a recording there is. */
export interface Recorded {
  readonly bytes: number;
  /** Datagrams that found it full. */
  readonly dropped: number;
}

/** Where datagrams go while somebody records. */
interface Tape {
  /** Instant 0 of their times. */
  readonly startedAt: Date;
  recording: LiveRecording | undefined;
}

/**
 * A gateway in this page, over a bridge at a serial port of this computer. It takes messages and
 * throws them away, and answers requests with a refusal.
 */
export class BridgeSource implements LiveSource {
  readonly #feed: LiveFeed;
  readonly #watch: LiveWatch;
  readonly #link: SerialBridgeLink;
  readonly #endpoint: Endpoint;
  readonly #tape: Tape;
  #order: PeerOrder;
  /** What is recorded just now; `undefined`: nothing. */
  readonly recorded = signal<Recorded | undefined>(undefined);

  /**
   * Finds the bridge, and begins.
   * @throws SerialBridgeError, or FardelError: their sentences say what to do
   */
  static async connect(
    feed: LiveFeed,
    port: WebSerialPort,
    options: {
      readonly serial: BrowserSerial;
      readonly bitRate: number;
      readonly order: PeerOrder;
      readonly signal: AbortSignal;
    },
  ): Promise<BridgeSource> {
    const { serial, bitRate, order, signal } = options;
    const source = webPortSource(port, { serial });
    const link = await SerialBridgeLink.connect(source, {
      ...(bitRate > 0 && { bitRate }),
      signal,
    });
    const name = `bridge ${link.bridge.name}, ${source.label}`;
    const watch = new LiveWatch({ name, messages: "noted" });
    const clock = new SystemClock();
    const tape: Tape = { startedAt: new Date(), recording: undefined };
    const recorded = recordLink(link, clock, (datagram) => tape.recording?.add(datagram));
    try {
      const endpoint = await Endpoint.open({ link: recorded, clock, trace: watch.trace });
      return new BridgeSource(feed, watch, link, endpoint, tape, order);
    } catch (error) {
      await link.close();
      throw error;
    }
  }

  private constructor(
    feed: LiveFeed,
    watch: LiveWatch,
    link: SerialBridgeLink,
    endpoint: Endpoint,
    tape: Tape,
    order: PeerOrder,
  ) {
    this.#feed = feed;
    this.#watch = watch;
    this.#link = link;
    this.#endpoint = endpoint;
    this.#tape = tape;
    this.#order = order;
    endpoint.onMessage(({ peer, bytes }) => watch.noteMessage(peer.address, bytes.length));
    void this.#refuseRequests();
    this.#listenToLink();
    feed.clear();
    watch.onLook(() => this.#tell());
    watch.attach(endpoint);
  }

  setOrder(order: PeerOrder): void {
    this.#order = order;
    this.#tell();
  }

  async close(): Promise<void> {
    this.#watch.close();
    await this.#endpoint.close();
  }

  /** Keep all that passes from now on, in the memory of the page. */
  startRecording(): void {
    const { mtuBytes, localAddress, bridge } = this.#link;
    const link = `bridge ${bridge.name}`;
    const { startedAt } = this.#tape;
    this.#tape.recording = new LiveRecording({ link, mtuBytes, localAddress, startedAt });
    this.#tellRecorded();
  }

  /** @returns the recording, if there is one */
  stopRecording(): Blob | undefined {
    const { recording } = this.#tape;
    this.#tape.recording = undefined;
    this.recorded.value = undefined;
    return recording?.finish();
  }

  #tellRecorded(): void {
    const { recording } = this.#tape;
    this.recorded.value = recording && { bytes: recording.bytes, dropped: recording.dropped };
  }

  #tell(): void {
    this.#tellRecorded();
    const { afterEvent, afterUs } = this.#feed;
    this.#feed.accept(this.#watch.snapshot({ order: this.#order, afterEvent, afterUs }));
  }

  async #refuseRequests(): Promise<void> {
    for await (const request of this.#endpoint.requests()) {
      this.#watch.noteMessage(request.peer.address, request.bytes.length, true);
      // Whoever asked may be gone by now.
      request.fail(REFUSAL).catch(() => {});
    }
  }

  #listenToLink(): void {
    this.#watch.noteLink(this.#link.status === "up" ? "up" : "down");
    this.#link.on("status", ({ status, why }) => this.#watch.noteLink(status, why));
    this.#link.on("failed", ({ error }) => {
      this.#feed.state.value = { is: "ended", sentence: error.message };
      void this.close();
    });
    let lines = 0;
    let minute = 0;
    this.#link.on("log", ({ text }) => {
      const now = Math.floor(performance.now() / 60_000);
      if (now !== minute) lines = 0;
      minute = now;
      if (lines++ < LINES_A_MINUTE_MAX) this.#watch.note(`The bridge says: ${text}`);
    });
  }
}
