import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { AckFrame } from "../wire/ack-frame.js";
import { ByteWriter } from "../wire/byte-writer.js";
import type { DataFrame } from "../wire/data-frame.js";
import { decodeFrames } from "../wire/frames.js";
import { STOP_REASON } from "../wire/stop-frame.js";
import { Budget } from "./budget.js";
import { wayOfChannel } from "./channels.js";
import type { FragmentSlot } from "./fragment-slot.js";
import { MessageQueue, OutgoingMessage } from "./outgoing-message.js";
import { ReceiveChannel, type Taken } from "./receive-channel.js";
import { SendChannel } from "./send-channel.js";

// One SendChannel coupled to one ReceiveChannel by frame objects, over an air that the property
// owns: it may lose, repeat and reorder every frame. No session, no timers.

interface Setting {
  readonly channel: number;
  readonly start: number;
  readonly window: number;
  readonly fragmentBytes: number;
  readonly messageBytesMax: number;
  /** Room in all; what waits beyond the first gap has all but one message of it, as with a peer. */
  readonly budgetBytes: number;
  readonly reordering: number;
}

interface ToReceiver {
  readonly number: number;
  readonly data?: DataFrame;
  readonly skip?: number;
}

interface ToSender {
  readonly carrier: number;
  readonly ack: AckFrame;
  readonly largest: number;
  readonly stop: { first: number; reason: number } | undefined;
}

/** Message number `id`, which its first two bytes tell; at least 2 bytes long. */
function messageBytes(id: number, length: number): Uint8Array {
  const bytes = Uint8Array.from({ length }, (_, at) => (at * 31 + id * 101 + (at >> 8)) & 0xff);
  bytes.set([id >> 8, id & 0xff]);
  return bytes;
}

class Coupling {
  readonly queue = new MessageQueue();
  readonly budget: Budget;
  readonly waiting: Budget;
  readonly sender: SendChannel;
  readonly receiver: ReceiveChannel;
  readonly messages: OutgoingMessage[] = [];
  readonly done = new Set<number>();
  readonly delivered: Uint8Array[] = [];
  readonly unread: number[] = [];
  readonly taken: Taken[] = [];
  readonly forth: ToReceiver[] = [];
  readonly back: ToSender[] = [];
  readonly stops: number[] = [];
  number = 0;
  highest = 0;
  carrier = 0;
  largestAcked = -1;
  reordering: number;

  constructor(readonly setting: Setting) {
    const { channel, start, window, fragmentBytes, messageBytesMax } = setting;
    this.budget = new Budget(setting.budgetBytes);
    this.waiting = new Budget(setting.budgetBytes - messageBytesMax, this.budget);
    this.sender = new SendChannel(channel, start, 1, this.queue);
    this.sender.grantWindow(window);
    this.reordering = setting.reordering;
    const limits = {
      window,
      messageBytesMax,
      streamBytesMax: 1024,
      fragmentBytes: () => fragmentBytes,
    };
    this.receiver = new ReceiveChannel(channel, start, limits, this.budget, this.waiting, {
      judge: () => "whole",
      deliver: (_channel, bytes, heldBytes) => {
        this.delivered.push(bytes);
        this.unread.push(heldBytes);
      },
      openStream: () => expect.fail("nothing is taken as a stream here"),
      streamData: () => undefined,
      endStream: () => undefined,
      failStream: () => undefined,
      hasStreamRoom: () => true,
    });
  }

  get isLatest(): boolean {
    return wayOfChannel(this.setting.channel) === "latest";
  }

  push(length: number): void {
    const id = this.messages.length;
    const message = new OutgoingMessage(id, this.setting.channel, messageBytes(id, length), {
      priority: "normal",
      deadlineUs: Number.POSITIVE_INFINITY,
      afterRestart: "report",
      firstContact: "data",
      isAnswer: false,
      wantsProgress: false,
    });
    if (this.isLatest) for (const older of this.messages) this.abort(older);
    this.messages.push(message);
    this.queue.push(message);
  }

  abort(message: OutgoingMessage | undefined): void {
    if (!message || message.hasEnded) return;
    message.hasEnded = true;
    this.sender.giveUp(message);
  }

  /** One datagram with one frame: a lost fragment first, then a new one. */
  send(payloadMax: number): boolean {
    const number = this.number + 1;
    if (this.sender.isSkipDue) {
      this.number = number;
      this.forth.push({ number, skip: this.sender.skipTo });
      this.sender.noteSkipSent(number);
      return true;
    }
    const slot = this.sender.nextLost() ?? this.sender.cut(payloadMax);
    if (!slot) return false;
    this.number = number;
    this.sender.noteSent(slot, number, number);
    this.forth.push({ number, data: this.frameOf(slot) });
    return true;
  }

  frameOf(slot: FragmentSlot): DataFrame {
    const out = new ByteWriter(new Uint8Array(slot.frameBytes));
    this.sender.write(out, slot, false);
    expect(out.at).toBe(slot.frameBytes);
    const decoded = decodeFrames(out.bytes, 0, out.at);
    if (!decoded.ok) return expect.fail(decoded.fault);
    return decoded.value[0] as DataFrame;
  }

  /** The receiver gets a frame; the bytes it was given are spoiled afterwards, as a link does. */
  receive({ number, data, skip }: ToReceiver): void {
    this.highest = Math.max(this.highest, number);
    if (skip !== undefined) expect(this.receiver.skipTo(skip)).toBe(true);
    if (!data) return;
    const bytes = data.bytes.slice();
    this.taken.push(this.receiver.accept({ ...data, bytes }));
    bytes.fill(0xee);
    expect(this.budget.heldBytes).toBeLessThanOrEqual(this.budget.bytesMax);
    expect(this.waiting.heldBytes).toBeLessThanOrEqual(this.waiting.bytesMax);
  }

  /** @param mapBytesMax - room for the map, bytes: beyond it the ACK is truncated */
  composeAck(mapBytesMax: number): void {
    const map = new Uint8Array(32);
    const used = this.receiver.writeMap(map);
    const fitting = Math.min(used, mapBytesMax);
    const ack: AckFrame = {
      type: "ack",
      channel: this.setting.channel,
      largest: this.highest & 0xffff,
      next: this.receiver.next,
      window: this.receiver.stateWindow(),
      prompt: true,
      truncated: fitting < used,
      map: map.slice(0, fitting),
    };
    const stop = this.receiver.stop;
    this.receiver.stop = undefined;
    this.back.push({ carrier: ++this.carrier, ack, largest: this.highest, stop });
  }

  handleBack({ carrier, ack, largest, stop }: ToSender): number {
    if (stop) this.#handleStop(stop);
    const result = this.sender.handleAck(ack, largest, carrier, (message, isDone) => {
      if (isDone && !message.hasEnded) {
        message.hasEnded = true;
        this.done.add(message.id);
      }
    });
    expect(result.isSound).toBe(true);
    this.largestAcked = Math.max(this.largestAcked, largest);
    return this.sender.detectLosses(this.largestAcked, this.reordering, () => false);
  }

  /** As the peer does it: what was damaged is sent anew, the rest is over. */
  #handleStop({ first, reason }: { first: number; reason: number }): void {
    const message = this.sender.messageAt(first);
    if (!message || message.hasEnded) return;
    this.stops.push(reason);
    if (reason !== STOP_REASON.damaged) {
      this.abort(message);
      return;
    }
    this.sender.giveUp(message);
    message.rewind();
    this.queue.unshift([message]);
  }

  readOne(): void {
    const held = this.unread.shift();
    if (held === undefined) return;
    this.budget.give(held);
    this.receiver.drain();
  }

  get isIdle(): boolean {
    const { sender } = this;
    return (
      !sender.foremost &&
      sender.inFlight === 0 &&
      sender.lostCount === 0 &&
      !sender.isSkipDue &&
      !sender.isSkipInFlight
    );
  }

  /** The air is good from now on and the reader quick: everything must come to rest. */
  heal(payloadMax: number): void {
    this.reordering = 0;
    for (let round = 0; round < 3000 && !this.isIdle; round++) {
      while (this.send(payloadMax));
      for (const each of this.forth.splice(0)) this.receive(each);
      // A datagram that asks although it carries nothing.
      this.highest = ++this.number;
      while (this.unread.length > 0) this.readOne();
      this.composeAck(32);
      for (const each of this.back.splice(0)) this.handleBack(each);
    }
    expect(this.isIdle).toBe(true);
    while (this.unread.length > 0) this.readOne();
  }

  /** Ids of what was delivered, each checked byte for byte. */
  get deliveredIds(): number[] {
    return this.delivered.map((bytes) => {
      const id = ((bytes[0] as number) << 8) | (bytes[1] as number);
      expect(bytes).toEqual(this.messages[id]?.bytes);
      return id;
    });
  }
}

type Step =
  | { readonly do: "push"; readonly length: number }
  | { readonly do: "send"; readonly count: number; readonly payloadMax: number }
  | { readonly do: "deliver" | "lose" | "repeat"; readonly at: number }
  | { readonly do: "ack"; readonly mapBytesMax: number }
  | { readonly do: "deliver-ack" | "lose-ack" | "repeat-ack"; readonly at: number }
  | { readonly do: "abort"; readonly at: number }
  | { readonly do: "read" }
  | { readonly do: "not-acknowledged"; readonly back: number }
  | { readonly do: "lose-all" };

const at = fc.nat(50);
/** Lengths from both sides of every boundary of the varint and of a fragment. */
const length = fc.oneof(
  fc.integer({ min: 2, max: 40 }),
  fc.integer({ min: 2, max: 400 }),
  fc.constantFrom(2, 12, 60, 63, 64, 65, 900),
);
const step: fc.Arbitrary<Step> = fc.oneof(
  { arbitrary: fc.record({ do: fc.constant("push" as const), length }), weight: 3 },
  {
    arbitrary: fc.record({
      do: fc.constant("send" as const),
      count: fc.integer({ min: 1, max: 12 }),
      payloadMax: fc.integer({ min: 12, max: 60 }),
    }),
    weight: 5,
  },
  {
    arbitrary: fc.record({
      do: fc.constantFrom("deliver" as const, "deliver", "deliver", "lose", "repeat"),
      at,
    }),
    weight: 10,
  },
  {
    arbitrary: fc.record({
      do: fc.constant("ack" as const),
      mapBytesMax: fc.constantFrom(0, 1, 2, 32),
    }),
    weight: 3,
  },
  {
    arbitrary: fc.record({
      do: fc.constantFrom("deliver-ack" as const, "deliver-ack", "lose-ack", "repeat-ack"),
      at,
    }),
    weight: 4,
  },
  { arbitrary: fc.record({ do: fc.constant("abort" as const), at }), weight: 1 },
  { arbitrary: fc.record({ do: fc.constant("read" as const) }), weight: 2 },
  {
    arbitrary: fc.record({ do: fc.constant("not-acknowledged" as const), back: fc.nat(8) }),
    weight: 1,
  },
  { arbitrary: fc.record({ do: fc.constant("lose-all" as const) }), weight: 1 },
);

const MESSAGE_MAX = 1000;
const setting: fc.Arbitrary<Omit<Setting, "channel">> = fc.record({
  // Near the end of the number space: most runs cross the wrap at 65536.
  start: fc.oneof(
    { arbitrary: fc.integer({ min: 65_500, max: 65_535 }), weight: 4 },
    { arbitrary: fc.nat(65_535), weight: 1 },
  ),
  window: fc.oneof(fc.integer({ min: 1, max: 9 }), fc.integer({ min: 1, max: 255 })),
  fragmentBytes: fc.constant(60),
  messageBytesMax: fc.constant(MESSAGE_MAX),
  budgetBytes: fc.oneof(fc.constant(1 << 20), fc.integer({ min: MESSAGE_MAX + 64, max: 4000 })),
  reordering: fc.nat(3),
});

function perform(run: Coupling, each: Step, canAbort: boolean): void {
  const { forth, back } = run;
  switch (each.do) {
    case "push":
      run.push(each.length);
      break;
    case "send":
      for (let i = 0; i < each.count && run.send(each.payloadMax); i++);
      break;
    case "deliver":
    case "lose":
    case "repeat": {
      if (forth.length === 0) break;
      const index = each.at % forth.length;
      const chosen = forth[index] as ToReceiver;
      if (each.do !== "repeat") forth.splice(index, 1);
      if (each.do !== "lose") run.receive(chosen);
      break;
    }
    case "ack":
      run.composeAck(each.mapBytesMax);
      break;
    case "deliver-ack":
    case "lose-ack":
    case "repeat-ack": {
      if (back.length === 0) break;
      const index = each.at % back.length;
      const chosen = back[index] as ToSender;
      if (each.do !== "repeat-ack") back.splice(index, 1);
      if (each.do !== "lose-ack") run.handleBack(chosen);
      break;
    }
    case "abort":
      if (canAbort) run.abort(run.messages[each.at % Math.max(1, run.messages.length)]);
      break;
    case "read":
      run.readOne();
      break;
    case "not-acknowledged":
      run.sender.loseDatagram(run.number - each.back);
      break;
    case "lose-all":
      run.sender.loseAll();
      break;
  }
}

/** Plays a run to its end and checks what holds on every channel. */
function play(given: Setting, steps: readonly Step[], canAbort: boolean): Coupling {
  const run = new Coupling(given);
  for (const each of steps) perform(run, each, canAbort);
  run.heal(60);
  expect(run.taken).not.toContain("contradiction");
  expect(run.stops).toEqual([]);
  const ids = run.deliveredIds;
  expect(new Set(ids).size).toBe(ids.length);
  // What the sender believes to be delivered is; what it did not give up is too.
  for (const id of run.done) expect(ids).toContain(id);
  for (const message of run.messages) {
    expect(message.hasEnded).toBe(true);
    expect(run.done.has(message.id) || canAbort || run.isLatest).toBe(true);
  }
  expect(run.waiting.heldBytes).toBe(0);
  expect(run.budget.heldBytes).toBe(0);
  run.receiver.close();
  expect(run.budget.heldBytes).toBe(0);
  return run;
}

const steps = fc.array(step, { minLength: 20, maxLength: 250, size: "max" });
const RUNS = { numRuns: 300 };

describe("a send channel and a receive channel, over any loss, repetition and reordering", () => {
  it("ordered: deliver exactly once, in order, all that was not aborted", () => {
    fc.assert(
      fc.property(setting, steps, fc.boolean(), (given, list, canAbort) => {
        const run = play({ ...given, channel: 0 }, list, canAbort);
        const ids = run.deliveredIds;
        expect(ids).toEqual([...ids].sort((a, b) => a - b));
        if (!canAbort) expect(ids).toEqual(run.messages.map(({ id }) => id));
      }),
      RUNS,
    );
  });

  it("unordered: deliver exactly once all that was not aborted", () => {
    fc.assert(
      fc.property(setting, steps, fc.boolean(), (given, list, canAbort) => {
        const run = play({ ...given, channel: 6 }, list, canAbort);
        const ids = run.deliveredIds;
        if (!canAbort)
          expect([...ids].sort((a, b) => a - b)).toEqual(run.messages.map(({ id }) => id));
      }),
      RUNS,
    );
  });

  it("latest: never deliver an older value after a newer one, and always the newest", () => {
    fc.assert(
      fc.property(setting, steps, (given, list) => {
        const run = play({ ...given, channel: 10 }, list, false);
        const ids = run.deliveredIds;
        expect(ids).toEqual([...ids].sort((a, b) => a - b));
        expect(ids.at(-1)).toBe(run.messages.at(-1)?.id);
      }),
      RUNS,
    );
  });
});
