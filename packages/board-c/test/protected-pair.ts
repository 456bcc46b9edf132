import type { Address, Link, LinkHandlers, Protection, SendOutcome } from "@fardel/core";
import { Endpoint } from "@fardel/core";
import { Random, VirtualClock } from "@fardel/lossy-link";
import { OpenSslPairKey } from "../../../test/openssl-pair-key.js";
import { BoardEndpoint, type BoardKey, type BoardMessage } from "./board-endpoint.js";
import type { CProgram } from "./support/c-program.js";

export const GATEWAY = Uint8Array.of(2, 0, 0, 0, 0, 0x0a);
export const BOARD = Uint8Array.of(2, 0, 0, 0, 0, 0x0b);
const DELAY_US = 1000;

/** A datagram on the air. */
export interface OnAir {
  readonly index: number;
  readonly isFromBoard: boolean;
  readonly datagram: Uint8Array;
}

/** One side's radio. */
class WireLink implements Link {
  readonly outstandingMax = 4;
  handlers: LinkHandlers | undefined;

  constructor(
    readonly mtuBytes: number,
    readonly onSend: (datagram: Uint8Array, done: (outcome: SendOutcome) => void) => void,
  ) {}

  open(handlers: LinkHandlers): void {
    this.handlers = handlers;
  }

  send(_to: Address, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    this.onSend(datagram.slice(), done);
  }

  close(): void {}
}

export interface ProtectedPairOptions {
  /** An endpoint that was built with FARDEL_PROTECTED. */
  readonly program: CProgram;
  readonly mtuGateway?: number;
  readonly mtuBoard?: number;
  /** Seeds of keys, the one in use first. Default: the same one on both sides. */
  readonly gatewayKeys?: readonly number[];
  readonly boardKeys?: readonly number[];
}

export function secretOf(seed: number): Uint8Array {
  return new Uint8Array(32).fill(seed);
}

/** A gateway in TypeScript and a board in C, with keys, and whoever listens and speaks in between. */
export class ProtectedPair {
  readonly clock = new VirtualClock();
  readonly air: OnAir[] = [];
  readonly gatewayGot: Uint8Array[] = [];
  readonly boardGot: BoardMessage[] = [];
  /** Of the board's sessions: what, and why. */
  readonly boardSessions: string[] = [];
  /** Keys that the board was told are right, by their seeds. */
  readonly right: number[] = [];
  /** What the board has encrypted under each key and nonce. */
  readonly #sealed = new Map<string, string>();
  gateway!: Endpoint;
  board!: BoardEndpoint;
  gatewayKeys: readonly OpenSslPairKey[] | "revoked";
  boardKeys: readonly BoardKey[] | "revoked";
  /** Whether the board forgets older keys when a newer one is right. */
  forgetsKeys = true;
  /** Which datagrams are lost. */
  isLost: (on: OnAir) => boolean = () => false;
  #boots = 0;
  #gatewayLink!: WireLink;
  #boardLink!: WireLink;
  #watcher: (address: Uint8Array) => void = () => {};
  readonly #options: ProtectedPairOptions;

  constructor(options: ProtectedPairOptions) {
    this.#options = options;
    this.gatewayKeys = (options.gatewayKeys ?? [1]).map((seed) => keyOf(seed));
    this.boardKeys = (options.boardKeys ?? [1]).map((seed) => ({
      secret: secretOf(seed),
      side: 1,
    }));
  }

  async open(): Promise<this> {
    await this.bootGateway();
    await this.bootBoard();
    return this;
  }

  async bootGateway(): Promise<void> {
    const link = new WireLink(this.#options.mtuGateway ?? 250, (datagram, done) =>
      this.#carry(false, datagram, done),
    );
    this.#gatewayLink = link;
    const draws = new Random(100 + this.#boots++);
    const protection: Protection = {
      keysFor: () => this.gatewayKeys,
      noteRight: (_address, key) => {
        if (this.gatewayKeys === "revoked" || !(key instanceof OpenSslPairKey)) return;
        const from = key.secret[0] ?? 0;
        this.gatewayKeys = this.gatewayKeys.filter(({ secret }) => (secret[0] ?? 0) >= from);
      },
      watch: (listener) => {
        this.#watcher = listener;
      },
    };
    this.gateway = await Endpoint.open({
      ...{ link, protection, clock: this.clock, random: () => draws.uint32() },
    });
    this.gateway.onMessage(({ bytes }) => {
      this.gatewayGot.push(bytes);
    });
  }

  async bootBoard(): Promise<void> {
    this.board?.stop();
    const link = new WireLink(this.#options.mtuBoard ?? 250, (datagram, done) =>
      this.#carry(true, datagram, done),
    );
    this.#boardLink = link;
    const draws = new Random(1 + this.#boots++);
    this.board = new BoardEndpoint({
      ...{ program: this.#options.program, link, clock: this.clock },
      random: () => draws.uint32(),
      application: {
        message: (message) => this.boardGot.push(message),
        session: (_address, what, reason) => this.boardSessions.push(`${what} ${reason}`),
      },
      keys: {
        keysFor: () => this.boardKeys,
        noteRight: (_address, secret) => this.#noteRight(secret[0] ?? 0),
        noteSealed: (keyAndNonce, plain) => this.#witness(keyAndNonce, plain),
      },
    });
    await this.board.open();
  }

  /** The keys of the gateway were changed by their owner. */
  changeGatewayKeys(keys: readonly number[] | "revoked"): void {
    this.gatewayKeys = keys === "revoked" ? keys : keys.map((seed) => keyOf(seed));
    this.#watcher(BOARD);
  }

  changeBoardKeys(keys: readonly number[] | "revoked"): void {
    this.boardKeys =
      keys === "revoked" ? keys : keys.map((seed) => ({ secret: secretOf(seed), side: 1 }));
    this.board.changeKeys(GATEWAY);
  }

  /** Time passes. */
  async run(us: number): Promise<void> {
    await this.clock.run({ untilUs: this.clock.nowUs() + us });
  }

  /** Somebody says this to the board, in the gateway's name. */
  sayToBoard(datagram: Uint8Array): void {
    this.#boardLink.handlers?.onDatagram(GATEWAY, datagram, {});
  }

  sayToGateway(datagram: Uint8Array): void {
    this.#gatewayLink.handlers?.onDatagram(BOARD, datagram, {});
  }

  saidBy(isBoard: boolean): Uint8Array[] {
    return this.air.flatMap((on) => (on.isFromBoard === isBoard ? [on.datagram] : []));
  }

  #carry(isFromBoard: boolean, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    const on = { index: this.air.length, isFromBoard, datagram };
    this.air.push(on);
    const isLost = this.isLost(on);
    this.clock.setTimer(this.clock.nowUs() + DELAY_US, () => {
      done("sent");
      if (isLost) return;
      if (isFromBoard) this.sayToGateway(datagram);
      else this.sayToBoard(datagram);
    });
  }

  /** Later keys have greater seeds: older ones than one that is right go. */
  #noteRight(seed: number): void {
    this.right.push(seed);
    if (this.boardKeys === "revoked" || !this.forgetsKeys) return;
    this.boardKeys = this.boardKeys.filter(({ secret }) => (secret[0] ?? 0) >= seed);
  }

  #witness(keyAndNonce: string, plain: Uint8Array): void {
    const text = String(plain);
    if ((this.#sealed.get(keyAndNonce) ?? text) !== text)
      throw new Error(`The board has used a nonce twice: ${keyAndNonce}`);
    this.#sealed.set(keyAndNonce, text);
  }
}

function keyOf(seed: number): OpenSslPairKey {
  return new OpenSslPairKey(secretOf(seed), 0);
}
