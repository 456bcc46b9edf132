import {
  type BridgeFacts,
  type BridgeFrame,
  decodeBridgeFrame,
  encodeHostFrame,
  type HostFrame,
} from "../../serial-bridge/src/bridge-frames.js";
import { FrameReader, type Framing } from "../../serial-bridge/src/frame-reader.js";
import { frameBytes } from "../../serial-bridge/src/frame-writer.js";
import { BoardBridgeCore, type BoardRadio } from "./board-bridge-core.js";
import type { CProgram } from "./support/c-program.js";

const FACTS: BridgeFacts = {
  mtuBytes: 250,
  queue: 64,
  peersMax: 0,
  canBroadcast: true,
  canSetChannel: true,
  tellsAcknowledgement: true,
  channel: 0,
  airtimeFixedUs: 0,
  airtimePerByteNs: 0,
  address: new Uint8Array(6),
  name: "",
};
/** A bridge in C, and what a host does with it while time stands still. */
export class Bench {
  readonly board: BoardBridgeCore;
  readonly #facts: BridgeFacts;
  readonly #framing: Framing;

  constructor(
    program: CProgram,
    framing: Framing,
    facts: Partial<BridgeFacts> = {},
    incarnation = 1,
    radio?: BoardRadio,
    radioDepth = 1,
  ) {
    this.#facts = { ...FACTS, ...facts };
    this.#framing = framing;
    const options = { facts: this.#facts, framing, incarnation, radioDepth, heardMax: 4 };
    this.board = new BoardBridgeCore(program, options, 0, radio);
  }

  say(frame: HostFrame): void {
    const framing = this.#framing;
    const bytes = frameBytes(encodeHostFrame(frame), { framing, leadingDelimiter: false });
    this.board.handleBytes(bytes, 0);
  }

  greet(host = 0x77): void {
    this.say({ type: "hello-request", versionMin: 1, versionMax: 1, host });
  }

  /** A session in which this address is implied both ways, and the next token is this one. */
  begin(token: number, impliedHex?: string): void {
    this.greet();
    this.board.setLedger((token - (impliedHex ? 1 : 0)) & 0xff, []);
    if (impliedHex) {
      const to = Uint8Array.from(Buffer.from(impliedHex, "hex"));
      const datagram = new Uint8Array(0);
      this.say({ type: "send", token: (token - 1) & 0xff, to, datagram, again: false });
      const order = this.board.pollTransmit(0);
      this.board.handleTransmitted(order?.transmission ?? 0, "sent");
      this.board.handleReceived(to, undefined, datagram);
    }
    this.frames();
  }

  /** The frames that come now, as the vectors have them. */
  frames(nowUs = 0): BridgeFrame[] {
    const frames: BridgeFrame[] = [];
    const reader = new FrameReader(this.#framing, 1600);
    for (
      let some = this.board.pollBytes(nowUs, false);
      some;
      some = this.board.pollBytes(nowUs, false)
    ) {
      reader.push(some, {
        onFrame: (body) => {
          const decoded = decodeBridgeFrame(body.slice(), this.#facts.address.length, undefined);
          if (decoded.ok) frames.push(decoded.value);
        },
      });
    }
    return frames;
  }
}
