import { describe, expect, it } from "vitest";
import { updateCrc32 } from "../wire/crc32.js";
import type { DataFrame } from "../wire/data-frame.js";
import { serialAdd } from "../wire/serial-number.js";
import { STOP_REASON } from "../wire/stop-frame.js";
import { Budget } from "./budget.js";
import type { Acceptance } from "./config.js";
import { ReceiveChannel } from "./receive-channel.js";

const START = 65_533;
const F = (at: number) => serialAdd(START, at);

interface Options {
  readonly channel?: number;
  readonly window?: number;
  readonly budgetBytes?: number;
  readonly messageBytesMax?: number;
  readonly streamBytesMax?: number;
  readonly hasStreamRoom?: () => boolean;
  readonly accept?: (totalBytes: number | undefined) => Acceptance;
}

/** A receive channel, with everything it hands over written down in words. */
function bench(options: Options = {}) {
  const log: string[] = [];
  const held: number[] = [];
  const budget = new Budget(options.budgetBytes ?? 100_000);
  const waiting = new Budget(options.budgetBytes ?? 100_000, budget);
  const limits = {
    window: options.window ?? 16,
    fragmentBytes: () => 64,
    messageBytesMax: options.messageBytesMax ?? 1000,
    streamBytesMax: options.streamBytesMax ?? 1024,
  };
  let streams = 0;
  const channel = new ReceiveChannel(options.channel ?? 0, START, limits, budget, waiting, {
    judge: (_channel, totalBytes) => options.accept?.(totalBytes) ?? "whole",
    deliver: (_channel, bytes, heldBytes) => {
      log.push(`deliver ${text(bytes)}`);
      held.push(heldBytes);
    },
    openStream: (_channel, totalBytes) => {
      log.push(`open ${totalBytes}`);
      return streams++;
    },
    streamData: (_stream, bytes, heldBytes) => {
      log.push(`data ${text(bytes)}`);
      held.push(heldBytes);
    },
    endStream: () => log.push("end"),
    failStream: (_stream, code) => log.push(`fail ${code}`),
    hasStreamRoom: () => options.hasStreamRoom?.() ?? true,
  });
  return { channel, log, held, budget, waiting };
}

const encode = (word: string) => new TextEncoder().encode(word);
const text = (bytes: Uint8Array) => new TextDecoder().decode(bytes);

function frame(at: number, word: string, change: Partial<DataFrame> = {}): DataFrame {
  const shape = { first: true, last: true, total: 0, crc32: 0 };
  return { type: "data", channel: 0, fragment: F(at), ...shape, bytes: encode(word), ...change };
}

/** A message in several fragments, from fragment `at` on. */
function message(
  at: number,
  words: readonly string[],
  change: Partial<DataFrame> = {},
): DataFrame[] {
  const whole = encode(words.join(""));
  return words.map((word, index) => {
    const [first, last] = [index === 0, index === words.length - 1];
    const total = first ? whole.length : 0;
    const crc32 = last ? updateCrc32(0, whole) : 0;
    return frame(at + index, word, { first, last, total, crc32, ...(last ? change : {}) });
  });
}

type Three = [DataFrame, DataFrame, DataFrame];

describe("ordered", () => {
  it("delivers in order, whatever the order of arrival, also across the wrap of the numbers", () => {
    const { channel, log } = bench();
    const frames = [...message(0, ["fro", "st"]), frame(2, "a"), ...message(3, ["b", "c", "d"])];
    for (const at of [5, 3, 2, 1, 4]) expect(channel.accept(frames[at] as DataFrame)).toBe("taken");
    expect(log).toEqual([]);
    channel.accept(frames[0] as DataFrame);
    expect(log).toEqual(["deliver frost", "deliver a", "deliver bcd"]);
    expect(channel.next).toBe(F(6));
  });

  it("takes no fragment twice, none beyond its window, and tells contradictions", () => {
    const { channel, log } = bench({ window: 4 });
    channel.accept(frame(0, "a"));
    expect(channel.accept(frame(0, "a"))).toBe("duplicate");
    expect(channel.accept(frame(3, "d"))).toBe("taken");
    expect(channel.accept(frame(3, "d"))).toBe("duplicate");
    expect(channel.accept(frame(3, "D"))).toBe("contradiction");
    expect(channel.accept(frame(3, "d", { last: false, total: 9 }))).toBe("contradiction");
    expect(channel.accept(frame(5, "f"))).toBe("dropped");
    expect(channel.accept(frame(4, "e"))).toBe("taken");
    expect(log).toEqual(["deliver a"]);
  });

  it("copies: what the link does with its bytes later changes nothing", () => {
    const { channel, log } = bench();
    const [first, second, third] = message(0, ["aa", "bb", "cc"]) as Three;
    for (const each of [second, first, third]) {
      channel.accept(each);
      each.bytes.fill(0x21);
    }
    expect(log).toEqual(["deliver aabbcc"]);
  });

  it("takes a message that does not tell its total", () => {
    const { channel, log, budget } = bench();
    const frames = message(0, ["aa", "bb", "cc"]).map((each) => ({ ...each, total: 0 }));
    for (const each of frames) channel.accept(each);
    expect(log).toEqual(["deliver aabbcc"]);
    expect(budget.heldBytes).toBe(6 + 64);
  });

  it("says in its map what waits beyond next, most significant bit first", () => {
    const { channel } = bench();
    const map = new Uint8Array(32);
    expect(channel.writeMap(map)).toBe(0);
    for (const at of [1, 3, 10]) channel.accept(frame(at, "x"));
    expect(channel.writeMap(map)).toBe(2);
    expect([...map.subarray(0, 2)]).toEqual([0b1010_0000, 0b0100_0000]);
    channel.accept(frame(0, "x"));
    expect(channel.next).toBe(F(2));
    channel.writeMap(map);
    expect(map[0]).toBe(0b1000_0001);
  });
});

describe("damage", () => {
  it("shown by the CRC-32 when the last fragment completes: not taken, STOP until SKIP", () => {
    const { channel, log, budget } = bench();
    const [first, middle, last] = message(0, ["aa", "bb", "cc"], { crc32: 1 }) as Three;
    expect([channel.accept(first), channel.accept(middle)]).toEqual(["taken", "taken"]);
    expect(channel.accept(last)).toBe("dropped");
    expect(channel.next).toBe(F(2));
    expect(channel.stop).toEqual({ first: F(0), reason: STOP_REASON.damaged });
    // Again, for as long as the sender does not know.
    channel.stop = undefined;
    expect(channel.accept(last)).toBe("dropped");
    expect(channel.stop).toEqual({ first: F(0), reason: STOP_REASON.damaged });
    channel.skipTo(F(3));
    channel.accept(frame(3, "next"));
    expect(log).toEqual(["deliver next"]);
    expect(budget.heldBytes).toBe(64 + 4);
  });

  it("shown when a middle fragment completes: that one is not acknowledged", () => {
    for (const way of [0, 6]) {
      const { channel, log, budget } = bench({ channel: way });
      const [first, middle, last] = message(0, ["aa", "bb", "cc"], { crc32: 1 }) as Three;
      channel.accept(last);
      channel.accept(first);
      channel.accept(middle);
      expect(channel.next).toBe(F(1));
      expect(channel.stop).toEqual({ first: F(0), reason: STOP_REASON.damaged });
      channel.skipTo(F(3));
      expect([log, budget.heldBytes, channel.next]).toEqual([[], 0, F(3)]);
    }
  });

  it("shown when the first fragment completes: that one is not acknowledged", () => {
    const { channel, log, budget } = bench();
    const [first, middle, last] = message(0, ["aa", "bb", "cc"], { crc32: 1 }) as Three;
    channel.accept(last);
    channel.accept(middle);
    channel.accept(first);
    expect(channel.next).toBe(F(0));
    expect(channel.stop).toEqual({ first: F(0), reason: STOP_REASON.damaged });
    channel.skipTo(F(3));
    expect([log, budget.heldBytes]).toEqual([[], 0]);
  });

  it("shown beyond next: the completing fragment is not kept", () => {
    const { channel } = bench();
    const frames = message(1, ["aa", "bb", "cc"], { crc32: 1 });
    expect(frames.map((each) => channel.accept(each))).toEqual(["taken", "taken", "dropped"]);
    expect(channel.stop).toEqual({ first: F(1), reason: STOP_REASON.damaged });
  });

  it("shown by the total, too long or too short", () => {
    for (const total of [5, 7]) {
      const { channel, log } = bench();
      const [first, middle, last] = message(0, ["aa", "bb", "cc"]) as Three;
      channel.accept({ ...first, total });
      channel.accept(middle);
      expect(channel.accept(last)).toBe("dropped");
      expect(channel.stop?.reason).toBe(STOP_REASON.damaged);
      expect(log).toEqual([]);
    }
  });

  it("is what a middle outside of any message means", () => {
    const { channel } = bench();
    expect(channel.accept(frame(0, "x", { first: false, last: false }))).toBe("contradiction");
    expect(channel.next).toBe(F(0));
    expect(channel.stop).toEqual({ first: F(0), reason: STOP_REASON.damaged });
  });
});

describe("refusal", () => {
  it("of what is larger than allowed: at the first fragment, nothing held", () => {
    const { channel, budget } = bench({ messageBytesMax: 5 });
    const [first] = message(0, ["aa", "bb", "cc"]) as Three;
    expect(channel.accept(first)).toBe("dropped");
    expect(channel.stop).toEqual({ first: F(0), reason: STOP_REASON.tooLarge });
    expect(channel.accept(frame(1, "123456"))).toBe("dropped");
    expect(budget.heldBytes).toBe(0);
  });

  it("of what grows larger than allowed without having told", () => {
    const { channel } = bench({ messageBytesMax: 5 });
    const frames = message(0, ["aa", "bb", "cc"]).map((each) => ({ ...each, total: 0 }));
    expect(frames.map((each) => channel.accept(each))).toEqual(["taken", "taken", "dropped"]);
    expect(channel.stop).toEqual({ first: F(0), reason: STOP_REASON.tooLarge });
  });

  it("by the owner, who is told the total", () => {
    const asked: (number | undefined)[] = [];
    const accept = (totalBytes: number | undefined) => {
      asked.push(totalBytes);
      return "refuse" as const;
    };
    const { channel } = bench({ accept });
    channel.accept(message(0, ["aa", "bb"])[0] as DataFrame);
    channel.accept(frame(1, "xyz"));
    channel.accept(frame(2, "xyz", { last: false, total: 0 }));
    expect(asked).toEqual([4, 3, undefined]);
    expect(channel.stop?.reason).toBe(STOP_REASON.notWanted);
  });
});

describe("SKIP", () => {
  it("delivers what is complete before it, drops the rest, and goes on from there", () => {
    const { channel, log, budget } = bench();
    // 0 is missing; 1 2 3 are complete; 4 (first) is there, 5 not; 6 7 wait behind the SKIP.
    for (const each of message(1, ["a", "b", "c"])) channel.accept(each);
    channel.accept(message(4, ["d", "e"])[0] as DataFrame);
    channel.accept(frame(6, "f"));
    expect(channel.skipTo(F(6))).toBe(true);
    expect(log).toEqual(["deliver abc", "deliver f"]);
    expect(channel.next).toBe(F(7));
    expect(budget.heldBytes).toBe(67 + 65);
  });

  it("drops a message that has begun, and gives its room back", () => {
    const { channel, log, budget } = bench();
    channel.accept(message(0, ["aa", "bb", "cc"])[0] as DataFrame);
    expect(budget.heldBytes).toBe(6 + 64);
    channel.skipTo(F(3));
    expect([log, budget.heldBytes, channel.next]).toEqual([[], 0, F(3)]);
  });

  it("that is late, or says nothing new, changes nothing", () => {
    const { channel, log } = bench();
    channel.accept(frame(0, "a"));
    expect(channel.skipTo(F(0))).toBe(true);
    expect([channel.next, log]).toEqual([F(1), ["deliver a"]]);
  });

  it("more than a window and one number beyond next is refused", () => {
    const { channel } = bench();
    expect(channel.skipTo(F(257))).toBe(false);
    expect(channel.next).toBe(F(0));
    expect(channel.skipTo(F(256))).toBe(true);
    expect(channel.next).toBe(F(256));
  });

  it("waits for room rather than lose what was acknowledged", () => {
    const { channel, log, budget, held } = bench({ budgetBytes: 200 });
    channel.accept(frame(0, "x".repeat(50)));
    channel.accept(frame(2, "b"));
    budget.take(200 - budget.heldBytes - 0);
    const full = budget.heldBytes;
    channel.skipTo(F(3));
    expect(log).toHaveLength(2);
    budget.give(full - 114 - 65);
    expect(held).toEqual([114, 65]);
    expect(budget.heldBytes).toBe(114 + 65);
  });
});

describe("unordered", () => {
  it("delivers each message as soon as it is whole, once", () => {
    const { channel, log } = bench({ channel: 6 });
    const frames = message(1, ["a", "b", "c"]);
    channel.accept(frame(5, "single"));
    for (const at of [2, 0, 1]) channel.accept(frames[at] as DataFrame);
    expect(log).toEqual(["deliver single", "deliver abc"]);
    for (const each of frames) expect(channel.accept(each)).toBe("duplicate");
    channel.accept(frame(0, "zero"));
    expect(channel.next).toBe(F(4));
    channel.accept(frame(4, "four"));
    expect(channel.next).toBe(F(6));
    expect(log.slice(2)).toEqual(["deliver zero", "deliver four"]);
  });
});

describe("latest", () => {
  it("moves over what is older than a complete value", () => {
    const { channel, log, budget, held } = bench({ channel: 10 });
    channel.accept(message(0, ["old", "er"])[0] as DataFrame);
    channel.accept(frame(3, "new"));
    expect([log, channel.next]).toEqual([["deliver new"], F(4)]);
    expect(channel.accept(message(0, ["old", "er"])[1] as DataFrame)).toBe("duplicate");
    expect(channel.accept(frame(2, "late"))).toBe("duplicate");
    budget.give(held[0] as number);
    expect(budget.heldBytes).toBe(0);
  });

  it("keeps a newer value that has begun", () => {
    const { channel, log } = bench({ channel: 10 });
    const [first, second] = message(2, ["new", "est"]) as [DataFrame, DataFrame];
    channel.accept(first);
    channel.accept(frame(1, "new"));
    channel.accept(second);
    expect(log).toEqual(["deliver new", "deliver newest"]);
  });
});

describe("the end of the session", () => {
  it("hands over what waits complete, even without the room to put it together", () => {
    const { channel, log, budget, held } = bench({ budgetBytes: 3 * 84 });
    const words = ["a", "b", "c"].map((letter) => letter.repeat(20));
    for (const each of message(1, words)) expect(channel.accept(each)).toBe("taken");
    channel.close();
    expect(log).toEqual([`deliver ${words.join("")}`]);
    // The message itself is now held, until it is read; nothing else is.
    expect(budget.heldBytes).toBe(124);
    expect(held).toEqual([124]);
  });
});

describe("SKIP past a message that is complete and has no room", () => {
  it("leaves it where it is: it was acknowledged; the next SKIP delivers it", () => {
    // Three fragments of 20 bytes wait behind a gap; as a message they need 124 bytes at once.
    const { channel, log, budget } = bench({ budgetBytes: 3 * 84 + 50 });
    expect(budget.take(50)).toBe(true);
    const words = ["a", "b", "c"].map((letter) => letter.repeat(20));
    for (const each of message(1, words)) expect(channel.accept(each)).toBe("taken");
    expect(channel.skipTo(F(4))).toBe(true);
    expect(log).toEqual([]);
    expect(channel.next).toBe(F(1));
    budget.give(50);
    expect(channel.skipTo(F(4))).toBe(true);
    expect(log).toEqual([`deliver ${words.join("")}`]);
    expect(channel.next).toBe(F(4));
  });
});

describe("a stream", () => {
  const accept = () => "stream" as const;

  it("hands over what arrives in order, and ends", () => {
    const { channel, log, budget, held } = bench({ accept });
    const [first, middle, last] = message(0, ["aa", "bb", "cc"]) as Three;
    for (const each of [first, last, middle]) channel.accept(each);
    expect(log).toEqual(["open 6", "data aa", "data bb", "data cc", "end"]);
    expect(budget.heldBytes).toBe(held.reduce((sum, each) => sum + each));
    expect(channel.stream).toBe(-1);
  });

  it("of one fragment is opened, filled and ended", () => {
    const { channel, log } = bench({ accept });
    channel.accept(frame(0, "only"));
    expect(log).toEqual(["open 4", "data only", "end"]);
  });

  it("is not larger than allowed, whatever a whole message may be", () => {
    const { channel, log } = bench({ accept, messageBytesMax: 3 });
    for (const each of message(0, ["aa", "bb", "cc"])) channel.accept(each);
    expect(log.at(-1)).toBe("end");
  });

  it("that nobody reads closes the window, and goes on when it is read", () => {
    const { channel, budget, held } = bench({ accept, streamBytesMax: 1024, window: 64 });
    const words = Array.from({ length: 30 }, (_, at) => String(at).padStart(50, "."));
    const frames = message(0, words);
    let taken = 0;
    while (channel.accept(frames[taken] as DataFrame) === "taken") taken++;
    expect(taken).toBe(Math.floor(1024 / 114));
    expect(channel.stateWindow()).toBe(0);
    for (const bytes of held.splice(0)) {
      budget.give(bytes);
      channel.noteStreamRead(0, bytes);
    }
    expect(channel.isWindowWorthTelling).toBe(true);
    expect(channel.window).toBe(8);
    expect(channel.accept(frames[taken] as DataFrame)).toBe("taken");
  });

  it("smaller than a fragment opens its window again once it has been read", () => {
    const { channel, budget, held } = bench({ accept, streamBytesMax: 40, window: 64 });
    const [first, second, third] = message(
      0,
      ["a", "b", "c"].map((word) => word.repeat(60)),
    ) as Three;
    expect(channel.accept(first)).toBe("taken");
    // It finds no room, and says how much it wants.
    expect(channel.accept(second)).toBe("dropped");
    expect(channel.stateWindow()).toBe(0);
    const read = () => {
      for (const bytes of held.splice(0)) {
        budget.give(bytes);
        channel.noteStreamRead(0, bytes);
      }
    };
    read();
    expect(channel.isWindowWorthTelling).toBe(true);
    expect(channel.window).toBe(1);
    expect(channel.accept(second)).toBe("taken");
    read();
    expect(channel.accept(third)).toBe("taken");
  });

  it.each([0, 4])(
    "does not begin while too many wait, on channel %d; the window is closed",
    (number) => {
      let hasRoom = false;
      const options = { accept, channel: number, hasStreamRoom: () => hasRoom };
      const { channel, log, budget } = bench(options);
      const frames = [...message(0, ["aa", "bb"]), frame(2, "single")];
      for (const each of frames) channel.accept(each);
      for (const each of frames.reverse()) channel.accept(each);
      expect(log).toEqual([]);
      expect(channel.window).toBe(0);
      hasRoom = true;
      expect(channel.window).toBeGreaterThan(0);
      for (const each of frames) channel.accept(each);
      expect(log.filter((entry) => entry === "end")).toHaveLength(2);
      channel.close();
      expect(budget.heldBytes).toBe(2 * 64 + 2 * 64 - 64 + "aabbsingle".length);
    },
  );

  it("whose last fragments wait for its reader is handed over whole at the end of the session", () => {
    const { channel, log } = bench({ accept, streamBytesMax: 260 });
    const [first, second, last] = message(
      0,
      ["a", "b", "c"].map((word) => word.repeat(60)),
    ) as Three;
    for (const each of [first, last, second]) channel.accept(each);
    expect(log).toHaveLength(3);
    expect(channel.close()).toBe(-1);
    expect(log.slice(3)).toEqual([`data ${"c".repeat(60)}`, "end"]);
  });

  it("that was acknowledged is handed over at the end of the session, however many wait", () => {
    const { channel, log } = bench({ accept, hasStreamRoom: () => false });
    for (const each of message(1, ["aa", "bb"])) channel.accept(each);
    channel.close();
    expect(log).toEqual(["open 4", "data aa", "data bb", "end"]);
  });

  it("fails when the sender gives up, or when it is damaged", () => {
    const gaveUp = bench({ accept });
    gaveUp.channel.accept(message(0, ["aa", "bb", "cc"])[0] as DataFrame);
    gaveUp.channel.skipTo(F(3));
    expect(gaveUp.log.at(-1)).toBe("fail sender-gave-up");
    const damaged = bench({ accept });
    for (const each of message(0, ["aa", "bb"], { crc32: 9 })) damaged.channel.accept(each);
    damaged.channel.skipTo(F(2));
    expect(damaged.log.at(-1)).toBe("fail damaged");
  });

  it("whose reader has left is refused until SKIP, and not reported to him", () => {
    const { channel, log } = bench({ accept });
    const [first, middle] = message(0, ["aa", "bb", "cc"]) as Three;
    channel.accept(first);
    channel.cancelStream(7);
    expect(channel.stop).toBeUndefined();
    channel.cancelStream(0);
    expect(channel.stop).toEqual({ first: F(0), reason: STOP_REASON.noLongerRead });
    expect(channel.accept(middle)).toBe("dropped");
    channel.skipTo(F(3));
    expect(log).toEqual(["open 6", "data aa"]);
  });
});

describe("the window", () => {
  it("is what the budget still takes in full datagrams, at most its own", () => {
    const { channel, budget } = bench({ window: 16, budgetBytes: 128 * 20 });
    expect(channel.window).toBe(16);
    budget.take(128 * 10 + 1);
    expect(channel.window).toBe(9);
  });

  it("is at least 1 while a message under way has its room reserved", () => {
    const { channel, budget } = bench({ budgetBytes: 1100 });
    const words = Array.from({ length: 20 }, () => "x".repeat(50));
    const frames = message(0, words);
    channel.accept(frames[0] as DataFrame);
    budget.take(budget.freeBytes);
    for (const each of frames) {
      if (each !== frames[0]) expect(channel.accept(each)).toBe("taken");
      if (each !== frames.at(-1)) expect(channel.window).toBeGreaterThanOrEqual(1);
    }
  });

  it("is closed while a message finds no room, and opens with its room", () => {
    const { channel, budget } = bench({ budgetBytes: 1100 });
    budget.take(500);
    const [first] = message(0, ["x".repeat(300), "x".repeat(300), "y"]) as Three;
    expect(channel.accept(first)).toBe("dropped");
    expect(channel.stop).toBeUndefined();
    expect(channel.stateWindow()).toBe(0);
    budget.give(500);
    expect(channel.isWindowWorthTelling).toBe(true);
    expect(channel.accept(first)).toBe("taken");
    expect(channel.window).toBeGreaterThanOrEqual(1);
  });

  it("opens for what found room before the window was asked for", () => {
    const { channel, budget } = bench({ budgetBytes: 1064 });
    budget.take(101);
    const frames = message(0, ["x".repeat(60), "x".repeat(840)]);
    expect(channel.accept(frames[0] as DataFrame)).toBe("dropped");
    budget.give(101);
    expect(channel.accept(frames[0] as DataFrame)).toBe("taken");
    expect(channel.window).toBeGreaterThanOrEqual(1);
  });

  it("is worth telling when it has grown by half of its size, or from nothing", () => {
    const { channel, budget } = bench({ window: 16, budgetBytes: 128 * 16 });
    budget.take(128 * 12);
    expect(channel.stateWindow()).toBe(4);
    budget.give(128 * 7);
    expect(channel.isWindowWorthTelling).toBe(false);
    budget.give(128);
    expect(channel.isWindowWorthTelling).toBe(true);
    channel.stateWindow();
    expect(channel.isWindowWorthTelling).toBe(false);
  });
});

describe("the end of the session", () => {
  it("delivers what waits complete behind a gap, drops the rest, and holds nothing of it", () => {
    const { channel, log, budget, held } = bench();
    for (const each of message(1, ["a", "b", "c"])) channel.accept(each);
    channel.accept(message(4, ["d", "e"])[0] as DataFrame);
    channel.accept(frame(7, "f"));
    channel.close();
    expect(log).toEqual(["deliver abc", "deliver f"]);
    for (const bytes of held) budget.give(bytes);
    expect(budget.heldBytes).toBe(0);
  });
});
