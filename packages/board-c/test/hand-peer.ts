import type { Address, Link, LinkHandlers, SendOutcome } from "@fardel/core";
import {
  type Ask,
  ByteWriter,
  CRC_BYTES,
  crcMatches,
  decodeFrames,
  decodeHead,
  encodeFrame,
  encodeLongHead,
  encodeShortHead,
  type Frame,
  sealDatagram,
} from "../../core/src/wire/index.js";

const TOKEN = 0x1234_5678;
const ADDRESS = Uint8Array.of(2, 0, 0, 0, 0, 7);
const MTU_BYTES = 250;
/** More datagrams than any test lets leave at one instant. */
const STORM = 1000;

/** A datagram of the board. */
export interface Heard {
  readonly number: number;
  readonly frames: readonly Frame[];
}

/**
 * A peer played by hand, and the link to it: says what no endpoint would say, and hears each datagram as
 * the board hands it over.
 */
export class HandPeer implements Link {
  readonly address = ADDRESS;
  readonly outstandingMax = 4;
  /** What the board has sent and nobody has looked at. */
  readonly heard: Heard[] = [];
  readonly #done: ((outcome: SendOutcome) => void)[] = [];
  #handlers: LinkHandlers | undefined;
  #token = TOKEN;
  #boardToken = 0;
  #number = TOKEN >>> 16;

  constructor(readonly mtuBytes = MTU_BYTES) {}

  open(handlers: LinkHandlers): void {
    this.#handlers = handlers;
  }

  send(_to: Address, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    this.#done.push(done);
    const head = decodeHead(datagram);
    if (!head.ok) throw new Error(head.fault);
    const { value } = head;
    if (value.form === "long") this.#boardToken = value.tokenFrom;
    const start = this.#boardToken >>> 16;
    const number =
      value.form === "long" ? value.number : start + ((value.numberLow - start) & 0xffff);
    const tokenTo = value.form === "long" ? value.tokenTo : this.#token;
    if (!crcMatches(datagram, tokenTo, this.#boardToken, number)) throw new Error("wrong CRC");
    const frames = decodeFrames(datagram, value.headBytes, datagram.length - CRC_BYTES);
    if (!frames.ok) throw new Error(frames.fault);
    this.heard.push({ number, frames: frames.value });
  }

  close(): void {}

  /** All that was handed over has left. */
  let(outcome: SendOutcome = "sent"): void {
    for (let done = this.#done.shift(); done; done = this.#done.shift()) done(outcome);
  }

  /** Lets all leave that wants to leave. @returns what was sent */
  drain(): Heard[] {
    const all: Heard[] = [];
    while (this.heard.length > 0) {
      all.push(...this.heard.splice(0));
      if (all.length > STORM)
        throw new Error(`${all.length} datagrams at one instant, and no end.`);
      this.let();
    }
    return all;
  }

  /** First fragments of the board's channels, and those of this side. */
  get boardStart(): number {
    return this.#boardToken & 0xffff;
  }

  get start(): number {
    return this.#token & 0xffff;
  }

  /** It has forgotten everything, and comes back with another token. */
  restart(token: number): void {
    this.#token = token;
    this.#boardToken = 0;
    this.#number = token >>> 16;
  }

  /** In the long form until the session is open. */
  say(form: "opening" | "long" | "short", ask: Ask, ...frames: readonly Frame[]): void {
    const out = new ByteWriter(new Uint8Array(this.mtuBytes));
    const number = this.#number++;
    const tokenTo = form === "opening" ? 0 : this.#boardToken;
    if (form === "short") encodeShortHead(out, ask, number);
    else encodeLongHead(out, ask, this.#token, tokenTo, number);
    for (const [index, frame] of frames.entries())
      encodeFrame(out, frame, index === frames.length - 1);
    const datagram = sealDatagram(out, tokenTo, this.#token, number);
    this.#handlers?.onDatagram(ADDRESS, datagram, {});
  }
}

export function hello(window: number, mtuBytes = MTU_BYTES): Frame {
  return { type: "hello", version: 1, mtuBytes, window };
}

export function ack(fields: Partial<Extract<Frame, { type: "ack" }>>): Frame {
  return {
    ...{ type: "ack", channel: 0, largest: 0, next: 0, window: 8, prompt: true, truncated: false },
    ...{ map: new Uint8Array(), ...fields },
  };
}

export function data(fields: Partial<Extract<Frame, { type: "data" }>>): Frame {
  return {
    ...{ type: "data", channel: 0, fragment: 0, first: false, last: false, total: 0, crc32: 0 },
    ...{ bytes: new Uint8Array(), ...fields },
  };
}
