// What is not known to be good changes nothing (PROTOCOL.md, sections 3, 4.5, 5.3 and 11).

import { describe, expect, it } from "vitest";
import {
  CRC_BYTES,
  decodeFrames,
  decodeHead,
  type Frame,
} from "../../packages/core/src/wire/index.js";
import { ack, bytesOf, data, forge, forgeBody, HELLO, loose, strangerAddress } from "./forge.js";
import { HandVictim } from "./hand-victim.js";

describe("what is not known to be good", () => {
  it("changes no report", async () => {
    const victim = await HandVictim.open();
    const peer = await victim.meet(strangerAddress(1));
    const { from, datagram } = peer.say([]);
    victim.hear(from, datagram, { rssiDbm: -40, radioChannel: 3 });
    victim.hear(from, new Uint8Array(20).fill(0x40), { rssiDbm: -99, radioChannel: 9 });
    expect(victim.endpoint.peer(from).report()).toMatchObject({ rssiDbm: -40, radioChannel: 3 });
  });

  it("makes nobody a stranger: malformed openings, and NO-SESSION to nobody", async () => {
    const victim = await HandVictim.open();
    const malformed = forgeBody(
      { tokenTo: 0, tokenFrom: 7, number: 0, ask: 1 },
      Uint8Array.of(0x5f, 1, 2),
    );
    const nobody = forge({ tokenTo: 0, tokenFrom: 0, number: 0 }, [{ type: "no-session" }]);
    victim.hear(strangerAddress(1), malformed);
    victim.hear(strangerAddress(2), nobody);
    expect(victim.endpoint.reports()).toEqual([]);
  });
});

describe("parts of messages", () => {
  it("are not held for a stranger, nor is a message put together of them", async () => {
    const victim = await HandVictim.open();
    let delivered = 0;
    victim.endpoint.onMessage(() => delivered++);
    const token = 0x1234_0001;
    const bytes = bytesOf(9);
    const parts = [
      data(0, token, "first", bytes, { total: 18 }),
      data(6, token + 1, "middle", bytes),
      loose(0, 7, 0, bytes),
      loose(0, 7, 1, bytes, true),
    ];
    parts.forEach((part, at) => {
      const head = { tokenTo: 0, tokenFrom: token, number: (token >>> 16) + at };
      victim.hear(strangerAddress(1), forge(head, [HELLO, part]));
    });
    expect(victim.endpoint.heldBytes).toBe(0);
    expect(victim.endpoint.reports()[0]?.fragmentsDropped).toBe(parts.length);
    expect(delivered).toBe(0);
  });
});

describe("an ack for what was never sent", () => {
  it("is counted, and acknowledges nothing", async () => {
    const victim = await HandVictim.open();
    const peer = await victim.meet(strangerAddress(1));
    const ends: string[] = [];
    const sending = victim.endpoint.peer(peer.address).send(bytesOf(10));
    sending.then(({ outcome }) => ends.push(outcome));
    await victim.pass(0.001);
    await victim.take(peer.say([ack(1, peer.heardLow, peer.victimToken + 2)]));
    expect(ends).toEqual([]);
    expect(victim.endpoint.peer(peer.address).report()?.malformed).toBe(1);
    await victim.take(peer.say([ack(1, peer.heardLow, peer.victimToken + 1)]));
    expect(ends).toEqual(["delivered"]);
  });
});

describe("openings that somebody else sent in a peer's name", () => {
  it.each([
    ["one before we send", { before: 1, after: 0, always: false }],
    ["one before the peer has answered", { before: 0, after: 1, always: false }],
    ["a new one every millisecond", { before: 5, after: 5, always: true }],
  ])("%s: the message arrives", async (_when, { before, after, always }) => {
    const victim = await HandVictim.open();
    victim.isTalkative = true;
    const address = strangerAddress(1);
    let token = 0x9999_0000;
    const pretend = (count: number) => {
      for (let i = 0; i < count; i++, token += 77) {
        const head = { tokenTo: 0, tokenFrom: token, number: token >>> 16, ask: 1 as const };
        victim.hear(address, forge(head, [HELLO]));
      }
    };
    pretend(before);
    await victim.pass(0.1);
    const ends: string[] = [];
    const sending = victim.endpoint.peer(address).send(bytesOf(10));
    sending.then(
      ({ outcome }) => ends.push(outcome),
      ({ code }) => ends.push(code),
    );
    await victim.pass(0.0005);
    pretend(after);
    const board = new CorrectBoard(victim, address);
    for (let step = 0; step < 4000 && ends.length === 0; step++) {
      await victim.pass(0.001);
      if (always) pretend(1);
      board.answerAll();
    }
    expect(ends).toEqual(["delivered"]);
  });
});

/** A board that does what PROTOCOL.md, sections 4.3 and 4.4, says, and knows one session. */
class CorrectBoard {
  readonly #token = 0x5555_0001;
  #number = 0x5555;
  #peerToken = 0;
  #next = 0;
  #seen = 0;

  constructor(
    readonly victim: HandVictim,
    readonly address: Uint8Array,
  ) {}

  answerAll(): void {
    for (const { datagram } of this.victim.sent.slice(this.#seen)) {
      this.#seen++;
      this.#answer(datagram);
    }
  }

  #answer(datagram: Uint8Array): void {
    const head = decodeHead(datagram);
    if (!head.ok) return;
    const { value } = head;
    if (value.form === "long") {
      if (value.tokenTo !== 0 && value.tokenTo !== this.#token) {
        const nobody = { tokenTo: value.tokenFrom, tokenFrom: 0, number: value.number };
        this.victim.hear(this.address, forge(nobody, [{ type: "no-session" }]));
        return;
      }
      if (this.#peerToken !== value.tokenFrom) this.#next = value.tokenFrom & 0xffff;
      this.#peerToken = value.tokenFrom;
    }
    for (const frame of framesOf(datagram))
      if (frame.type === "data" && frame.fragment === (this.#next & 0xffff)) this.#next++;
    const largest = value.form === "long" ? value.number : value.numberLow;
    const channel = 1;
    const reply = { tokenTo: this.#peerToken, tokenFrom: this.#token, number: this.#number++ };
    this.victim.hear(
      this.address,
      forge(reply, [HELLO, ack(channel, largest, this.#next, { prompt: value.ask === 1 })]),
    );
  }
}

function framesOf(datagram: Uint8Array): readonly Frame[] {
  const head = decodeHead(datagram);
  if (!head.ok) return [];
  const frames = decodeFrames(datagram, head.value.headBytes, datagram.length - CRC_BYTES);
  return frames.ok ? frames.value : [];
}
