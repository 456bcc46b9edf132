import { once } from "node:events";
import { connect } from "node:net";
import { Endpoint } from "@fardel/core";
import { decodeValue } from "@fardel/msgpack";
import { SerialBridgeLink } from "@fardel/serial-bridge";
import { nodePortSource } from "@fardel/serial-bridge/node";
import type { Noise } from "../../../test/interop/noisy-port.js";
import { SerialServer } from "../../../test/interop/serial-server.js";
import type { EmulatedBoard } from "./emulated-board.js";
import { NoisyLine } from "./emulated-line.js";

/** The emulator keeps no bit rate; this one is the first that a gateway tries. */
export const BIT_RATE = 115_200;

/** Later than that the test is given up: a message that does not arrive says so. */
export const DEADLINE_MS = 60_000;

/** What a station tells in its replies. */
export interface StationReply {
  readonly bytes?: number;
  readonly sha256?: string;
  readonly logBytes?: number;
  readonly logSha256?: string;
  /** The deepest that its stack has been, bytes. */
  readonly stack: number;
}

export function stationReply(bytes: Uint8Array): StationReply {
  return decodeValue(bytes) as unknown as StationReply;
}

/** The log of the night that a station invents: `read_log` in arm/frost-watch.c. */
export function nightLog(bytes: number): Uint8Array {
  return Uint8Array.from({ length: bytes }, (_, index) => Math.imul(index, 0x9e3779b1) >>> 24);
}

/** What a test has opened, to be closed in the opposite order. */
export class Endings {
  readonly #endings: (() => Promise<unknown>)[] = [];

  add(end: () => Promise<unknown>): void {
    this.#endings.push(end);
  }

  async run(): Promise<void> {
    for (const end of this.#endings.splice(0).reverse()) await end();
  }
}

/** A pseudo-terminal at the first serial port of a board, with a bad cable in between. */
export async function gatewayPort(board: EmulatedBoard, noise: Noise, endings: Endings) {
  const server = await SerialServer.open();
  endings.add(() => server.close());
  const stream = connect(server.tcpPort, "127.0.0.1");
  await once(stream, "connect");
  const line = new NoisyLine(await board.port(0), stream, noise);
  return { path: server.boardPath, line };
}

/** An endpoint over the bridge at a port. */
export async function openGateway(path: string, endings: Endings): Promise<Endpoint> {
  const link = await SerialBridgeLink.connect(nodePortSource({ path }), { bitRate: BIT_RATE });
  const gateway = await Endpoint.open({ link });
  endings.add(() => gateway.close());
  return gateway;
}
