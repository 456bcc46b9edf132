import { Random, VirtualClock } from "@fardel/lossy-link";
import { createPairKey, KeyRing } from "@fardel/pairing";
import { ByteWriter } from "../../core/src/wire/byte-writer.js";
import { encodeSessionless, isSessionlessSound } from "../../core/src/wire/sessionless-datagram.js";
import { keysIn } from "../../pairing/src/pairing/exchange-pair.js";
import { type InitiatorEvent, PairingInitiator } from "../../pairing/src/pairing/initiator.js";
import type { PairingWay } from "../../pairing/src/pairing/way.js";
import { BoardPairing, type BoardPairingOptions, WAY } from "./board-pairing.js";
import type { CProgram } from "./support/c-program.js";

export const GATEWAY = Uint8Array.of(2, 0, 0, 0, 0, 0x0a);
export const BOARD = Uint8Array.of(2, 0, 0, 0, 0, 0x0b);
/** A claim secret, as good as any. */
export const CLAIM = new Uint8Array(32).fill(7);
const OLD = new Uint8Array(32).fill(1);
const PAIR = 3;
const DELAY_US = 2000;
const DECIDE_US = 3_000_000;

/** One body of PAIR on its way. */
export interface Flight {
  readonly index: number;
  readonly isFromGateway: boolean;
  readonly body: Uint8Array;
}

/** A copy that arrives: after how long, and as what. */
export interface Copy {
  readonly delayUs?: number;
  readonly body?: Uint8Array;
}

export interface PairingPairOptions {
  readonly program: CProgram;
  readonly seed?: number;
  /** What the gateway takes for the claim secret. */
  readonly claim?: Uint8Array;
  /** What the persons say. */
  readonly gatewaySays?: boolean;
  readonly boardSays?: boolean;
  readonly stores?: () => boolean;
  readonly board?: Partial<BoardPairingOptions>;
}

/** A gateway in TypeScript that offers pairings, a board in C, and what lies between them, in virtual time. */
export class PairingPair {
  readonly clock = new VirtualClock();
  readonly ring = new KeyRing();
  readonly board: BoardPairing;
  /** All that was said. */
  readonly log: Flight[] = [];
  readonly events: InitiatorEvent[] = [];
  readonly gatewayCodes: string[] = [];
  readonly boardCodes: string[] = [];
  initiator: PairingInitiator | undefined;
  /** What becomes of each body. */
  fate: (flight: Flight) => readonly Copy[] = () => [{}];
  readonly #options: PairingPairOptions;
  readonly #random: Random;

  constructor(options: PairingPairOptions) {
    this.#options = options;
    this.#random = new Random(options.seed ?? 1);
    const { program, boardSays = true, stores } = options;
    this.board = new BoardPairing({
      ...{ program, clock: this.clock, address: BOARD, claim: CLAIM, isCable: true },
      random: () => this.#random.uint32(),
      show: (code) => {
        this.boardCodes.push(String(code).padStart(6, "0"));
        this.#later(DECIDE_US, () => this.board.accept(boardSays));
      },
      ...(stores && { stores }),
      transmit: (to, datagram) => this.#hearBoard(to, datagram),
      ...options.board,
    });
  }

  /** As if they had been paired before. */
  pairBefore(): this {
    this.ring.set(BOARD, createPairKey(OLD, "initiator"));
    this.board.addKey(GATEWAY, OLD);
    return this;
  }

  begin(way: PairingWay): PairingInitiator {
    const record = this.ring.record(BOARD);
    const key = record?.keys[record.usedIndex];
    const claim = this.#options.claim ?? CLAIM;
    const random = (bytes: number) =>
      Uint8Array.from({ length: bytes }, () => this.#random.uint32() & 255);
    const means = { address: BOARD, way, name: "gateway", random, claim, ...(key && { key }) };
    this.initiator = new PairingInitiator(means, this.clock.nowUs());
    this.pump();
    return this.initiator;
  }

  /** Opens pairing mode if the way needs it, and pairs. */
  pair(way: PairingWay): void {
    if (way !== "renew") this.board.start(WAY[way]);
    this.begin(way);
    this.run();
  }

  /** Until nothing more happens. */
  run(durationUs = 200_000_000): void {
    this.clock.runSync(this.clock.nowUs() + durationUs);
  }

  /** How it ended for the gateway. */
  get end(): string | undefined {
    const last = this.events.at(-1);
    if (last?.type === "failed") return last.code;
    return last?.type === "paired" ? `paired${last.isConfirmed ? "" : ", unconfirmed"}` : undefined;
  }

  /** Keys of the gateway for the board, in hex, the one in use first. */
  get gatewayKeys(): string[] {
    return keysIn(this.ring, BOARD);
  }

  get boardKeys(): string[] {
    const keys = this.board.keysOf(GATEWAY);
    return keys === "revoked" ? [] : keys;
  }

  /** Why the two could not talk now, whoever opens a session; nothing if they could. PROTOCOL.md, section 16.3. */
  whyNoTalk(): string | undefined {
    const [gateway, board] = [this.gatewayKeys, this.boardKeys];
    if (gateway.length === 0) return board.length === 0 ? undefined : "pair again";
    if (!board.includes(gateway[0] ?? "")) return "the gateway uses a key that the board lacks";
    return gateway.includes(board[0] ?? "") ? undefined : "the board uses a key of its own";
  }

  deliverToBoard(body: Uint8Array, from = GATEWAY): void {
    this.board.handleDatagram(from, datagramOf(body));
  }

  pump(): void {
    const { initiator } = this;
    if (!initiator) return;
    for (let more = true; more; ) {
      const event = initiator.pollEvent();
      if (event) this.#handle(initiator, event);
      const transmit = initiator.pollTransmit();
      if (transmit) this.#send(true, transmit.body);
      more = event !== undefined || transmit !== undefined;
    }
    const { timeoutUs } = initiator;
    if (timeoutUs === Number.POSITIVE_INFINITY) return;
    this.clock.setTimer(timeoutUs, () => {
      if (initiator.timeoutUs !== timeoutUs || this.initiator !== initiator) return;
      initiator.handleTimeout(this.clock.nowUs());
      this.pump();
    });
  }

  #handle(initiator: PairingInitiator, event: InitiatorEvent): void {
    this.events.push(event);
    const { gatewaySays = true } = this.#options;
    if (event.type === "short-code-known") {
      this.gatewayCodes.push(event.shortCode);
      this.#later(DECIDE_US, () => (gatewaySays ? initiator.accept() : initiator.refuse()));
    } else if (event.type === "key-agreed") {
      this.ring.setNewer(BOARD, event.key, event.name);
      initiator.stored(this.clock.nowUs());
    } else if (event.type === "paired" && event.isConfirmed) this.ring.settle(BOARD, event.key);
  }

  #hearBoard(to: Uint8Array, datagram: Uint8Array): boolean {
    if (!isSessionlessSound(datagram)) throw new Error("The board sends what is not sound.");
    if (datagram[1] === PAIR && to[5] === GATEWAY[5]) this.#send(false, datagram.slice(2, -2));
    return true;
  }

  #send(isFromGateway: boolean, body: Uint8Array): void {
    const flight = { index: this.log.length, isFromGateway, body };
    this.log.push(flight);
    for (const { delayUs = DELAY_US, body: arriving = body } of this.fate(flight))
      this.#later(delayUs, () => {
        if (isFromGateway) this.deliverToBoard(arriving);
        else this.initiator?.handleBody(BOARD, arriving, this.clock.nowUs());
      });
  }

  #later(delayUs: number, run: () => void): void {
    this.clock.setTimer(this.clock.nowUs() + delayUs, () => {
      run();
      this.pump();
    });
  }
}

/** A PAIR datagram. */
export function datagramOf(body: Uint8Array, kind = PAIR): Uint8Array {
  const out = new ByteWriter(new Uint8Array(body.length + 4));
  encodeSessionless(out, kind, body);
  return out.bytes.slice(0, out.at);
}
