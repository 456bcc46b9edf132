import { createHash } from "node:crypto";
import {
  type Clock,
  DEFAULT_CONFIG,
  Endpoint,
  type FardelError,
  type Link,
  type Receipt,
} from "@fardel/core";
import { type MediumStatistics, Random, VirtualClock } from "@fardel/lossy-link";
import { AirMeter } from "./air-meter.js";
import { BoardProgram, type ReadingCounts } from "./board-program.js";
import { type Channel, openChannel } from "./channel.js";
import { GatewayProgram } from "./gateway-program.js";
import type { DemoOptions } from "./options.js";

/** For how long the board's radio is off when it restarts, microseconds. Invented. */
export const RADIO_OFF_US = 50_000;
/** The command goes out, the radio restarts, when this share of the frames needed has left. */
const COMMAND_SHARE = 0.3;
const RESTART_SHARE = 0.6;

/** What happens while the demo runs, in order; instants in microseconds since the start. */
export interface DemoEvent {
  readonly type:
    | "blob-sent"
    | "blob-progressed"
    | "blob-arrived"
    | "command-sent"
    | "command-arrived"
    | "radio-off"
    | "radio-on";
  readonly atUs: number;
  /** Bytes of the blob that the board has acknowledged by then. */
  readonly acknowledgedBytes: number;
}

/** Where things stood when the blob had arrived. */
export interface Arrival {
  readonly atUs: number;
  readonly hash: string;
  /** Time on air of each side's frames until then, microseconds. */
  readonly gatewayAirUs: number;
  readonly boardAirUs: number;
  /** Time until then during which the board's radio was off, microseconds. */
  readonly radioOffUs: number;
}

/** All that the report needs. */
export interface Outcome {
  readonly blobBytes: number;
  /** SHA-256 of what was sent. */
  readonly hash: string;
  /** `undefined` if it has not arrived. */
  readonly arrival: Arrival | undefined;
  /** How it ended for the gateway. */
  readonly end: Receipt | FardelError;
  readonly command: {
    readonly sentUs: number;
    readonly arrivedUs: number | undefined;
    /** Bytes of the blob acknowledged when the command arrived. */
    readonly acknowledgedBytes: number;
    readonly end: Receipt | FardelError;
  };
  readonly temperatures: Readonly<ReadingCounts>;
  readonly switchings: Readonly<ReadingCounts>;
  readonly received: { readonly temperatures: number; readonly switchings: number };
  readonly gatewayDatagrams: number;
  readonly boardDatagrams: number;
  readonly medium: MediumStatistics;
  /** Time on air of a full frame, microseconds. */
  readonly fullFrameUs: number;
}

/** Runs the demo once and tells `onEvent` as it goes. */
export async function runTransfer(
  blob: Uint8Array,
  options: DemoOptions,
  onEvent: (event: DemoEvent) => void = () => {},
): Promise<Outcome> {
  const transfer = new Transfer(blob, options, onEvent);
  const outcome = transfer.run();
  const { clock } = transfer;
  // Simulated time passes only when it is told to.
  if (clock instanceof VirtualClock) {
    let isSettled = false;
    const settle = () => {
      isSettled = true;
    };
    outcome.then(settle, settle);
    const why = await clock.run({ until: () => isSettled });
    if (why !== "until") throw new Error("Nothing is left to happen, and the blob is under way.");
  }
  return outcome;
}

/** One blob, one command, one restart, and what was measured. */
class Transfer {
  readonly #blob: Uint8Array;
  readonly #options: DemoOptions;
  readonly #onEvent: (event: DemoEvent) => void;
  readonly #channel: Channel;
  readonly #startUs: number;
  readonly #meter: AirMeter;
  #acknowledgedBytes = 0;
  #arrival: Arrival | undefined;
  #radioOffAtUs: number | undefined;
  #command: { sentUs: number; end: Promise<Receipt | FardelError> } | undefined;
  #commandArrival: { arrivedUs: number; acknowledgedBytes: number } | undefined;
  #switchFan: (() => Promise<Receipt | FardelError>) | undefined;

  constructor(blob: Uint8Array, options: DemoOptions, onEvent: (event: DemoEvent) => void) {
    this.#blob = blob;
    this.#options = options;
    this.#onEvent = onEvent;
    this.#channel = openChannel(options);
    this.#startUs = this.clock.nowUs();
    const frames = Math.ceil(blob.length / options.datagramBytes);
    const commandAt = 1 + Math.ceil(frames * COMMAND_SHARE);
    const restartAt = 1 + Math.ceil(frames * RESTART_SHARE);
    const { medium, gatewayLink } = this.#channel;
    this.#meter = new AirMeter(medium, gatewayLink, (sent) => {
      // Not from inside the medium's own work.
      if (sent === commandAt) this.#after(0, () => this.#sendCommand());
      if (sent === restartAt) this.#after(0, () => this.#restartRadio());
    });
  }

  get clock(): Clock {
    return this.#channel.clock;
  }

  async run(): Promise<Outcome> {
    const { gatewayLink, boardLink } = this.#channel;
    const gatewayEnd = await this.#openEndpoint(gatewayLink, "gateway");
    const boardEnd = await this.#openEndpoint(boardLink, "board");
    const gateway = new GatewayProgram(gatewayEnd, boardLink.localAddress);
    const board = new BoardProgram(boardEnd, gatewayLink.localAddress, this.clock);
    this.#switchFan = () => gateway.switchFan("on");
    const listening = [
      gateway.listen(),
      board.listen({
        configured: (bytes) => this.#blobArrived(bytes),
        commanded: () => this.#commandArrived(),
      }),
    ];
    board.startReadings();

    this.#tell("blob-sent");
    const end = await gateway.configure(this.#blob, (bytes) => {
      if (bytes === this.#acknowledgedBytes) return;
      this.#acknowledgedBytes = bytes;
      this.#tell("blob-progressed");
    });
    // A small blob may be through before it is the command's turn.
    const command = this.#sendCommand();
    const commandEnd = await command.end;
    await board.stop();
    const outcome: Outcome = {
      blobBytes: this.#blob.length,
      hash: sha256(this.#blob),
      arrival: this.#arrival,
      end,
      command: {
        sentUs: command.sentUs,
        arrivedUs: this.#commandArrival?.arrivedUs,
        acknowledgedBytes: this.#commandArrival?.acknowledgedBytes ?? 0,
        end: commandEnd,
      },
      temperatures: board.temperatures,
      switchings: board.switchings,
      received: gateway.received,
      gatewayDatagrams: gatewayEnd.reports()[0]?.datagramsSent ?? 0,
      boardDatagrams: boardEnd.reports()[0]?.datagramsSent ?? 0,
      medium: this.#channel.medium.statistics,
      fullFrameUs: gatewayLink.airtimeUs(gatewayLink.mtuBytes),
    };
    await gatewayEnd.close();
    await boardEnd.close();
    await Promise.all(listening);
    return outcome;
  }

  #openEndpoint(link: Link, name: string): Promise<Endpoint> {
    const random = new Random(`${this.#options.seed}/${name}`);
    return Endpoint.open({
      link,
      clock: this.clock,
      random: () => random.uint32(),
      window: this.#options.window,
      ...limitsFor(this.#blob.length),
    });
  }

  #sendCommand() {
    if (!this.#command) {
      if (!this.#switchFan) throw new Error("The command is due before the gateway runs.");
      this.#command = { sentUs: this.#elapsedUs, end: this.#switchFan() };
      this.#tell("command-sent");
    }
    return this.#command;
  }

  #restartRadio(): void {
    this.#radioOffAtUs = this.#elapsedUs;
    this.#channel.boardLink.restartRadio(RADIO_OFF_US);
    this.#tell("radio-off");
    this.#after(RADIO_OFF_US, () => this.#tell("radio-on"));
  }

  #commandArrived(): void {
    this.#commandArrival ??= {
      arrivedUs: this.#elapsedUs,
      acknowledgedBytes: this.#acknowledgedBytes,
    };
    this.#tell("command-arrived");
  }

  #blobArrived(bytes: Uint8Array): void {
    const atUs = this.#elapsedUs;
    const offUs = this.#radioOffAtUs === undefined ? 0 : atUs - this.#radioOffAtUs;
    this.#arrival = {
      atUs,
      hash: sha256(bytes),
      gatewayAirUs: this.#meter.gatewayUs,
      boardAirUs: this.#meter.boardUs,
      radioOffUs: Math.min(offUs, RADIO_OFF_US),
    };
    this.#tell("blob-arrived");
  }

  get #elapsedUs(): number {
    return this.clock.nowUs() - this.#startUs;
  }

  #tell(type: DemoEvent["type"]): void {
    this.#onEvent({ type, atUs: this.#elapsedUs, acknowledgedBytes: this.#acknowledgedBytes });
  }

  #after(delayUs: number, run: () => void): void {
    this.clock.setTimer(this.clock.nowUs() + delayUs, () => {
      run();
      // Outside of the endpoint's own calls, a simulated clock is told that there is work to do.
      this.clock.wakeWaiters?.();
    });
  }
}

function sha256(bytes: Uint8Array): string {
  return createHash("sha256").update(bytes).digest("hex");
}

/** Room for one message of this size, where the defaults are too small for it. */
function limitsFor(bytes: number) {
  const messageBytesMax = Math.max(DEFAULT_CONFIG.messageBytesMax, bytes);
  const peerBytesMax = Math.max(DEFAULT_CONFIG.peerBytesMax, 2 * messageBytesMax);
  return {
    messageBytesMax,
    peerBytesMax,
    totalBytesMax: Math.max(DEFAULT_CONFIG.totalBytesMax, peerBytesMax),
    sendQueueBytesMax: Math.max(DEFAULT_CONFIG.sendQueueBytesMax, 2 * messageBytesMax),
  };
}
