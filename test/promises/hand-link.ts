import type { Address, Link, LinkHandlers, SendOutcome } from "@fardel/core";
import type { VirtualClock } from "@fardel/lossy-link";
import {
  type Ask,
  ByteWriter,
  encodeFrame,
  encodeLongHead,
  encodeShortHead,
  type Frame,
  sealDatagram,
} from "../../packages/core/src/wire/index.js";

/** One datagram that an endpoint handed over. */
export interface Handed {
  readonly to: Address;
  readonly bytes: Uint8Array;
  readonly atUs: number;
}

/** A link whose other end is the test: what is sent is kept, what is heard is said by hand. */
export class HandLink implements Link {
  readonly outstandingMax = 4;
  readonly localAddress = Uint8Array.of(2, 0, 0, 0, 0, 1);
  readonly handed: Handed[] = [];
  outcome: SendOutcome = "sent";
  #handlers: LinkHandlers | undefined;

  constructor(
    readonly clock: VirtualClock,
    readonly mtuBytes = 250,
    /** How long a datagram takes to leave, microseconds. */
    readonly sendUs = 1000,
  ) {}

  open(handlers: LinkHandlers): void {
    this.#handlers = handlers;
  }

  send(to: Address, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    const atUs = this.clock.nowUs();
    this.handed.push({ to: to.slice(), bytes: datagram.slice(), atUs });
    this.clock.setTimer(atUs + this.sendUs, () => done(this.outcome));
  }

  hear(from: Address, datagram: Uint8Array): void {
    this.#handlers?.onDatagram(from, datagram, {});
  }

  close(): void {
    this.#handlers = undefined;
  }
}

/** What a datagram made by hand says of itself. */
export interface HandHead {
  readonly tokenTo: number;
  readonly tokenFrom: number;
  readonly number: number;
  readonly ask?: Ask;
  readonly short?: boolean;
}

/** A datagram as PROTOCOL.md, section 2, has it, with a good CRC. */
export function datagramOf(head: HandHead, frames: readonly Frame[]): Uint8Array {
  const { tokenTo, tokenFrom, number, ask = 0, short = false } = head;
  const out = new ByteWriter(new Uint8Array(65_535));
  if (short) encodeShortHead(out, ask, number);
  else encodeLongHead(out, ask, tokenFrom, tokenTo, number);
  frames.forEach((frame, at) => {
    encodeFrame(out, frame, at === frames.length - 1);
  });
  return sealDatagram(out, tokenTo, tokenFrom, number).slice();
}

/** HELLO of a peer like any other. */
export const HELLO: Frame = { type: "hello", version: 1, mtuBytes: 250, window: 8 };
