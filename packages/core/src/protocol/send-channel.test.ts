import { describe, expect, it } from "vitest";
import type { AckFrame } from "../wire/ack-frame.js";
import { serialAdd } from "../wire/serial-number.js";
import type { FragmentSlot } from "./fragment-slot.js";
import { type MessageOptions, MessageQueue, OutgoingMessage } from "./outgoing-message.js";
import { SendChannel } from "./send-channel.js";

const OPTIONS: MessageOptions = {
  priority: "normal",
  deadlineUs: Number.POSITIVE_INFINITY,
  afterRestart: "report",
  firstContact: "data",
  isAnswer: false,
  wantsProgress: false,
};
const START = 65_530;
/** Number of the fragment so many after the first. */
const F = (at: number) => serialAdd(START, at);

/** A channel whose fragments take 12 bytes, each sent in a datagram of its own, numbered from 100. */
class Bench {
  readonly queue = new MessageQueue();
  readonly channel: SendChannel;
  readonly done: number[] = [];
  number = 100;
  carrier = 0;
  #ids = 0;

  constructor(window: number) {
    this.channel = new SendChannel(0, START, window, this.queue);
  }

  push(length: number): OutgoingMessage {
    const message = new OutgoingMessage(this.#ids++, 0, new Uint8Array(length).fill(7), OPTIONS);
    this.queue.push(message);
    return message;
  }

  /** Send what may go, lost fragments first. @returns the fragments, counted from the first */
  sendAll(payloadMax = 12): number[] {
    const sent: number[] = [];
    for (;;) {
      const slot = this.channel.nextLost() ?? this.channel.cut(payloadMax);
      if (!slot) return sent;
      this.channel.noteSent(slot, this.number++, this.number * 1000);
      sent.push((slot.fragment - START) & 0xffff);
    }
  }

  /** An ACK; `has` are fragments beyond `next`, all counted from the first. */
  ack(next: number, window: number, has: number[] = [], change: Partial<AckFrame> = {}) {
    const map = new Uint8Array(32);
    for (const fragment of has) {
      const bit = fragment - next - 1;
      map[bit >>> 3] = (map[bit >>> 3] as number) | (0x80 >>> (bit & 7));
    }
    const bytes = has.length > 0 ? ((Math.max(...has) - next - 1) >>> 3) + 1 : 0;
    const frame: AckFrame = {
      type: "ack",
      channel: 0,
      largest: 0,
      next: F(next),
      window,
      prompt: true,
      truncated: false,
      map: map.subarray(0, bytes),
      ...change,
    };
    return this.channel.handleAck(frame, this.number - 1, ++this.carrier, (message, isDone) => {
      if (isDone) this.done.push(message.id);
    });
  }

  /** What the newest datagrams up to now show as lost; the link keeps order. */
  judge(): number {
    return this.channel.detectLosses(this.number - 1, 0, () => false);
  }
}

describe("cutting", () => {
  it("gives a message that fits one fragment, first and last", () => {
    const bench = new Bench(8);
    bench.push(12);
    bench.push(0);
    const whole = bench.channel.cut(12) as FragmentSlot;
    expect([whole.first, whole.last, whole.from, whole.to, whole.frameBytes]).toEqual([
      true,
      true,
      0,
      12,
      15,
    ]);
    const empty = bench.channel.cut(12) as FragmentSlot;
    expect([empty.first, empty.last, empty.from, empty.to, empty.frameBytes]).toEqual([
      true,
      true,
      0,
      0,
      3,
    ]);
  });

  it("leaves room for the total in the first and the CRC-32 in the last fragment", () => {
    for (const length of [13, 20, 22, 23, 24, 63, 64, 75, 100, 1000]) {
      const bench = new Bench(255);
      bench.push(length);
      let at = 0;
      for (let slot = bench.channel.cut(12); slot; slot = bench.channel.cut(12)) {
        expect(slot.from).toBe(at);
        at = slot.to;
        expect(slot.frameBytes).toBeLessThanOrEqual(15);
        if (!slot.last) expect(slot.to).toBeGreaterThan(slot.from);
        expect(slot.last).toBe(!bench.channel.foremost);
      }
      expect(at).toBe(length);
    }
  });

  it("stops at the window, and at its messages' end", () => {
    const bench = new Bench(3);
    bench.push(100);
    expect(bench.sendAll()).toEqual([0, 1, 2]);
    expect(bench.channel.windowRoom).toBe(0);
    const more = new Bench(9);
    more.push(5);
    more.push(5);
    expect(more.sendAll()).toEqual([0, 1]);
    expect(more.channel.windowRoom).toBe(7);
  });

  it("never has more than 255 fragments open", () => {
    const bench = new Bench(255);
    bench.push(12 * 400);
    expect(bench.sendAll()).toHaveLength(255);
    // A map alone opens nothing: the first one is still open.
    bench.ack(0, 255, [1, 2, 3]);
    expect(bench.channel.cut(12)).toBeUndefined();
    bench.ack(4, 255);
    expect(bench.sendAll()).toHaveLength(4);
  });

  it("passes over messages that have ended while they waited", () => {
    const bench = new Bench(8);
    const [first, second] = [bench.push(5), bench.push(5)];
    first.hasEnded = true;
    expect(bench.channel.foremost).toBe(second);
    expect(bench.sendAll()).toEqual([0]);
  });
});

describe("an ACK", () => {
  it("acknowledges up to next and what the map has, and ends messages whose last fragment that was", () => {
    const bench = new Bench(16);
    bench.push(24);
    bench.push(5);
    expect(bench.sendAll()).toEqual([0, 1, 2, 3]);
    expect(bench.ack(1, 16, [2, 3])).toEqual({ isSound: true, lateBy: 0, mistaken: 0 });
    expect(bench.done).toEqual([1]);
    expect(bench.judge()).toBe(1);
    expect(bench.sendAll()).toEqual([1]);
    bench.ack(4, 16);
    expect(bench.done).toEqual([1, 0]);
    expect(bench.channel.inFlight).toBe(0);
  });

  it("tells how many it shows to have been taken for lost by mistake", () => {
    const bench = new Bench(16);
    bench.push(24);
    bench.sendAll();
    bench.ack(0, 16, [2]);
    expect(bench.judge()).toBe(2);
    expect(bench.ack(3, 16)).toMatchObject({ isSound: true, mistaken: 2 });
  });

  it("for what was never sent changes nothing", () => {
    const bench = new Bench(16);
    bench.push(24);
    bench.sendAll();
    expect(bench.ack(4, 99).isSound).toBe(false);
    expect([bench.done, bench.channel.inFlight, bench.channel.windowRoom]).toEqual([[], 3, 13]);
    // Bits of the map beyond what was sent are no acknowledgement either.
    bench.ack(0, 16, [5, 9]);
    expect(bench.channel.inFlight).toBe(3);
    bench.ack(3, 16);
    expect(bench.done).toEqual([0]);
  });

  it("older than the newest neither moves back nor sets the window", () => {
    const bench = new Bench(4);
    bench.push(200);
    bench.sendAll();
    bench.ack(3, 4);
    const late = { ...({ next: F(1), window: 200 } as const) };
    bench.carrier = 0;
    expect(bench.ack(1, 200, [], late).isSound).toBe(true);
    expect(bench.channel.windowRoom).toBe(3);
    // The same `next` in a late datagram: not newer, so its window does not count.
    bench.carrier = 0;
    bench.ack(3, 200);
    expect(bench.channel.windowRoom).toBe(3);
  });

  it("newer than one that acknowledged more is contrary: one of the two was damaged", () => {
    const bench = new Bench(8);
    bench.push(60);
    bench.sendAll();
    bench.ack(3, 8);
    expect(bench.ack(2, 8)).toMatchObject({ isContrary: true });
    // An older one that comes late is not.
    bench.carrier = 0;
    expect(bench.ack(2, 8)).not.toHaveProperty("isContrary");
    expect(bench.channel.windowRoom).toBeGreaterThan(0);
  });

  it("cut for lack of room says nothing of what lies beyond its map", () => {
    const bench = new Bench(32);
    bench.push(12 * 25);
    const sent = bench.sendAll();
    expect(sent.length).toBeGreaterThan(24);
    // Eight bits: fragments 1 to 8 of which 2 has not arrived.
    bench.ack(0, 32, [1, 3, 4, 5, 6, 7, 8], { truncated: true });
    expect(bench.judge()).toBe(2);
    expect(bench.sendAll()).toEqual([0, 2]);
    // The next one speaks of all: what is missing beyond the eighth is lost now.
    bench.ack(9, 32, [10]);
    expect(bench.judge()).toBe(sent.length - 10);
  });

  it("cut, with reordering allowed for, sets no time for what it does not speak of", () => {
    const bench = new Bench(32);
    bench.push(12 * 25);
    bench.sendAll();
    bench.ack(9, 32, [10, 11, 12, 13, 14, 15, 16, 17], { truncated: true });
    // Everything it speaks of is here; of the rest nothing is known.
    expect(bench.channel.earliestLeftUs(bench.number - 1)).toBe((101 + 9) * 1000);
    expect(bench.channel.detectLosses(bench.number - 1, 3, () => true)).toBe(1);
    expect(bench.channel.earliestLeftUs(bench.number - 1)).toBe(Number.POSITIVE_INFINITY);
  });

  it("that shrinks the window holds lost fragments back until it opens again", () => {
    const bench = new Bench(8);
    bench.push(200);
    expect(bench.sendAll()).toHaveLength(8);
    bench.ack(2, 1);
    expect(bench.judge()).toBe(6);
    // Only the one inside the window goes again.
    expect(bench.sendAll()).toEqual([2]);
    bench.ack(2, 0);
    bench.judge();
    expect(bench.sendAll()).toEqual([]);
    expect(bench.channel.windowRoom).toBe(0);
    bench.ack(2, 8);
    expect(bench.sendAll()).toEqual([2, 3, 4, 5, 6, 7, 8, 9]);
  });

  it("shows by how much a fragment was late that had been sent again in vain", () => {
    const bench = new Bench(8);
    bench.push(30);
    bench.sendAll();
    const largest = bench.number - 1;
    bench.ack(0, 8, [1, 2]);
    expect(bench.judge()).toBe(1);
    bench.sendAll();
    // Its first copy, in datagram 100, arrives three datagrams late: the ack names no later one.
    bench.number = largest + 1;
    expect(bench.ack(3, 8).lateBy).toBe(largest - 100 + 1);
  });

  it("is no surprise for what the link itself had called lost", () => {
    const bench = new Bench(8);
    bench.push(5);
    bench.sendAll();
    bench.channel.loseDatagram(100);
    expect(bench.channel.lostCount).toBe(1);
    const slot = bench.channel.nextLost() as FragmentSlot;
    expect(slot.lostByLink).toBe(true);
    expect(bench.ack(1, 8).lateBy).toBe(0);
    expect(bench.channel.lostCount).toBe(0);
  });
});

describe("loss", () => {
  it("is not seen before an ack is far enough beyond, if the link reorders", () => {
    const bench = new Bench(8);
    bench.push(70);
    bench.sendAll();
    // Datagrams 100 to 105; 100 is missing. With a distance of 3 an ack up to 102 does not do.
    expect(bench.channel.detectLosses(102, 3, () => false)).toBe(0);
    expect(bench.channel.detectLosses(103, 3, () => false)).toBe(1);
    expect(bench.channel.detectLosses(103, 3, (slot) => slot.number === 102)).toBe(1);
    // What left after the ack's greatest number is never late.
    expect(bench.channel.detectLosses(103, 3, () => true)).toBe(2);
  });

  it("of a datagram takes all of its fragments, and no others", () => {
    const bench = new Bench(8);
    bench.push(5);
    bench.push(5);
    bench.push(5);
    for (const number of [100, 100, 101])
      bench.channel.noteSent(bench.channel.cut(12) as FragmentSlot, number, 0);
    bench.channel.loseDatagram(100);
    expect([bench.channel.lostCount, bench.channel.inFlight]).toEqual([2, 1]);
  });

  it("of everything, for an opening without an answer", () => {
    const bench = new Bench(8);
    bench.push(50);
    const all = bench.sendAll();
    bench.channel.loseAll();
    expect([bench.channel.lostCount, bench.channel.inFlight]).toEqual([all.length, 0]);
    expect(bench.sendAll()).toEqual(all);
  });
});

describe("giving up", () => {
  it("tells where to go on, until an ack has passed that, and sends it again when it was lost", () => {
    const bench = new Bench(8);
    const first = bench.push(5);
    const second = bench.push(5);
    bench.sendAll();
    first.hasEnded = true;
    bench.channel.giveUp(first);
    expect([bench.channel.isSkipDue, bench.channel.skipTo]).toEqual([true, F(1)]);
    bench.channel.noteSkipSent(bench.number++);
    expect([bench.channel.isSkipDue, bench.channel.isSkipInFlight]).toEqual([false, true]);
    bench.ack(0, 8, [1]);
    bench.judge();
    expect(bench.channel.isSkipDue).toBe(true);
    bench.channel.noteSkipSent(bench.number++);
    bench.channel.loseDatagram(bench.number - 1);
    expect(bench.channel.isSkipDue).toBe(true);
    bench.channel.noteSkipSent(bench.number++);
    bench.ack(2, 8);
    expect([bench.channel.isSkipDue, bench.channel.isSkipInFlight]).toEqual([false, false]);
    expect(bench.done).toEqual([second.id]);
  });

  it("says nothing about a message of which nothing was sent", () => {
    const bench = new Bench(8);
    const message = bench.push(5);
    message.hasEnded = true;
    bench.channel.giveUp(message);
    expect(bench.channel.isSkipDue).toBe(false);
  });

  it("in mid-message consumes a number, so that next beyond it means that the receiver knows", () => {
    const bench = new Bench(2);
    const message = bench.push(100);
    bench.push(5);
    expect(bench.sendAll()).toEqual([0, 1]);
    message.hasEnded = true;
    bench.channel.giveUp(message);
    expect(bench.channel.skipTo).toBe(F(3));
    bench.ack(2, 2);
    expect(bench.channel.isSkipDue).toBe(true);
    bench.ack(3, 2);
    expect(bench.channel.isSkipDue).toBe(false);
    expect(bench.sendAll()).toEqual([3]);
  });

  it("leads behind all of the message, also where its last fragments were acknowledged", () => {
    const bench = new Bench(8);
    const message = bench.push(30);
    expect(bench.sendAll()).toEqual([0, 1, 2]);
    bench.ack(1, 8, [2]);
    message.hasEnded = true;
    bench.channel.giveUp(message);
    expect(bench.channel.skipTo).toBe(F(3));
  });

  it("leads to where the first open fragment is, not beyond", () => {
    const bench = new Bench(8);
    const [first, , third] = [bench.push(5), bench.push(5), bench.push(5)];
    bench.sendAll();
    for (const message of [first, third]) {
      message.hasEnded = true;
      bench.channel.giveUp(message);
    }
    expect(bench.channel.skipTo).toBe(F(1));
    bench.ack(2, 8);
    expect([bench.channel.isSkipDue, bench.channel.skipTo]).toEqual([true, F(3)]);
  });
});

describe("what else is asked of it", () => {
  it("finds the message of a fragment while that is open", () => {
    const bench = new Bench(8);
    const [first, second] = [bench.push(18), bench.push(5)];
    bench.sendAll();
    expect(bench.channel.messageAt(F(0))).toBe(first);
    expect(bench.channel.messageAt(F(1))).toBe(first);
    expect(bench.channel.messageAt(F(2))).toBe(second);
    expect(bench.channel.messageAt(F(3))).toBeUndefined();
    // Its first fragment has been acknowledged, the second not: it is still found by its first.
    bench.ack(1, 8);
    expect(bench.channel.messageAt(F(0))).toBe(first);
  });

  it("gives the unfinished in order, and forgets them when the session is over", () => {
    const bench = new Bench(3);
    const [first, second, third] = [bench.push(5), bench.push(5), bench.push(90)];
    bench.push(4);
    bench.sendAll();
    bench.ack(1, 3);
    first.hasEnded = true;
    expect(bench.channel.unfinished()).toEqual([second, third]);
    expect(bench.channel.takeUnfinished()).toEqual([second, third]);
    expect([bench.channel.inFlight, bench.channel.lostCount]).toEqual([0, 0]);
  });

  it("takes back an opening's fragment that is larger than the peer takes, and cuts it anew", () => {
    const bench = new Bench(1);
    const message = bench.push(100);
    expect(bench.sendAll(200)).toEqual([0]);
    bench.channel.takeBackOversized(103);
    expect(message.isCut).toBe(true);
    bench.channel.takeBackOversized(102);
    expect([message.isCut, message.cutBytes, bench.channel.inFlight]).toEqual([false, 0, 0]);
    bench.channel.grantWindow(8);
    expect(bench.sendAll(40).slice(0, 3)).toEqual([0, 1, 2]);
  });

  it("counts what could be sent, up to a limit", () => {
    const bench = new Bench(8);
    bench.push(100);
    bench.push(5);
    expect(bench.channel.sendableCount(3, 12)).toBe(3);
    expect(bench.channel.sendableCount(50, 12)).toBe(8);
    bench.sendAll();
    expect(bench.channel.sendableCount(50, 12)).toBe(0);
    bench.channel.loseDatagram(103);
    expect(bench.channel.sendableCount(50, 12)).toBe(1);
  });

  it("gives for a probe the fragments in flight that are small enough together", () => {
    const bench = new Bench(8);
    bench.push(5);
    bench.push(6);
    bench.push(90);
    bench.sendAll(95);
    expect(bench.channel.smallInFlight(64).map(({ to }) => to)).toEqual([5, 6]);
    expect(bench.channel.smallInFlight(8).map(({ to }) => to)).toEqual([5]);
    expect(bench.channel.smallInFlight(7)).toEqual([]);
  });

  it("ranks by its foremost message, holds back what needs a verified peer", () => {
    const bench = new Bench(8);
    expect(bench.channel.rank(100, true)).toBe(-1);
    bench.push(98);
    expect(bench.channel.rank(100, true)).toBe(1);
    expect(bench.channel.rank(100, false)).toBe(-1);
    expect(bench.channel.rank(101, false)).toBe(1);
  });
});
