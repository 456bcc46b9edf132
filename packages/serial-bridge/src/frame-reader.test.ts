import { CRC16_START, updateCrc16 } from "@fardel/core/wire";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { FrameReader, type FrameReaderCounts, type Framing } from "./frame-reader.js";
import { frameBytes } from "./frame-writer.js";
import { STUFFINGS } from "./framing.js";

const FRAMINGS: readonly Framing[] = ["cobs", "slip"];
const BODY_BYTES_MAX = 300;

interface Heard {
  readonly bodies: Uint8Array[];
  readonly lines: string[];
  readonly counts: FrameReaderCounts;
}

interface Listening {
  readonly bodyBytesMax?: number;
  readonly seedFor?: (type: number) => Uint8Array | undefined;
}

/** What a reader makes of bytes that come in these pieces. */
function hear(framing: Framing, pieces: readonly Uint8Array[], options: Listening = {}): Heard {
  const { bodyBytesMax = BODY_BYTES_MAX, seedFor } = options;
  const reader = new FrameReader(framing, bodyBytesMax, seedFor);
  const bodies: Uint8Array[] = [];
  const lines: string[] = [];
  const handlers = {
    onFrame: (body: Uint8Array) => bodies.push(body.slice()),
    onText: (line: string) => lines.push(line),
  };
  for (const piece of pieces) reader.push(piece, handlers);
  return { bodies, lines, counts: { ...reader.counts } };
}

function join(...parts: readonly (readonly number[] | Uint8Array)[]): Uint8Array {
  return Uint8Array.from(parts.flatMap((part) => [...part]));
}

function singly(bytes: Uint8Array): Uint8Array[] {
  return Array.from(bytes, (byte) => Uint8Array.of(byte));
}

/** Cut at these places, anywhere. */
function cut(bytes: Uint8Array, places: readonly number[]): Uint8Array[] {
  const at = places.map((place) => place % (bytes.length + 1)).sort((a, b) => a - b);
  const borders = [0, ...at, bytes.length];
  return borders.slice(1).map((to, index) => bytes.subarray(borders[index], to));
}

function line(framing: Framing, body: readonly number[] | Uint8Array, leadingDelimiter = false) {
  return frameBytes(Uint8Array.from(body), { framing, leadingDelimiter });
}

const bodyOf = (bytesMax: number) =>
  fc
    .oneof(
      fc.uint8Array({ minLength: 1, maxLength: bytesMax }),
      fc
        .array(fc.constantFrom(0, 0xc0, 0xdb, 0xdc, 1), { minLength: 1, maxLength: bytesMax })
        .map((bytes) => Uint8Array.from(bytes)),
    )
    .filter((body) => body.length <= bytesMax);
const bodies = fc.array(bodyOf(60), { minLength: 1, maxLength: 5 });
const places = fc.array(fc.nat(2000), { maxLength: 12 });
const framings = fc.constantFrom(...FRAMINGS);

describe.each(FRAMINGS)("frames by %s", (framing) => {
  const { delimiter } = STUFFINGS[framing];
  const body = Uint8Array.of(0x04, 7, 6, 0, 0xc0, 0xdb);
  const frame = line(framing, body);

  it("end with a delimiter, and have one in front when told so", () => {
    expect(frame.at(-1)).toBe(delimiter);
    expect(frame.indexOf(delimiter)).toBe(frame.length - 1);
    expect(line(framing, body, true)).toEqual(join([delimiter], frame));
  });

  it("are read whole and byte by byte", () => {
    const expected = { bodies: [body], lines: [], counts: { good: 1, damaged: 0, tooLong: 0 } };
    expect(hear(framing, [frame])).toEqual(expected);
    expect(hear(framing, singly(frame))).toEqual(expected);
  });

  it("are read with bytes behind them, which begin the next frame", () => {
    const pieces = [join(frame, frame.subarray(0, 4)), frame.subarray(4)];
    expect(hear(framing, pieces).bodies).toEqual([body, body]);
  });

  it("are read after garbage, if a delimiter ends it; else only the next one is", () => {
    const noise = new TextEncoder().encode("boot: rev 3\r\n");
    const ended = hear(framing, [join(noise, [delimiter], frame)]);
    expect(ended.bodies).toEqual([body]);
    expect(ended.counts).toEqual({ good: 1, damaged: 1, tooLong: 0 });
    const open = hear(framing, [join(noise, frame, frame)]);
    expect(open.bodies).toEqual([body]);
    expect(open.counts).toEqual({ good: 1, damaged: 1, tooLong: 0 });
  });

  it("have nothing between two delimiters: that is ignored", () => {
    const many = join([delimiter, delimiter], frame, [delimiter, delimiter]);
    expect(hear(framing, [many]).counts).toEqual({ good: 1, damaged: 0, tooLong: 0 });
  });

  it("have at least one byte of body", () => {
    expect(hear(framing, [line(framing, [7])]).bodies).toEqual([Uint8Array.of(7)]);
    // An empty body and its CRC, which is right.
    expect(hear(framing, [line(framing, [])])).toMatchObject({
      bodies: [],
      counts: { good: 0, damaged: 1 },
    });
  });

  it("are no longer than the longest, to the byte", () => {
    // Bytes that need no stuffing, and bytes that need all of it.
    for (const byte of [0x55, 0xc0, 0x00]) {
      for (const bodyBytesMax of [1, 20, 252, 253, 254, 506]) {
        const fits = line(framing, new Uint8Array(bodyBytesMax).fill(byte));
        const longer = line(framing, new Uint8Array(bodyBytesMax + 1).fill(byte));
        const { bodies, counts } = hear(framing, [fits, longer, fits], { bodyBytesMax });
        expect(counts).toEqual({ good: 2, damaged: 0, tooLong: 1 });
        expect(bodies).toHaveLength(2);
      }
    }
  });

  it("that are too long are dropped up to the next delimiter, and counted once", () => {
    const endless = new Uint8Array(100_000).fill(0x55);
    const heard = hear(framing, [...cut(endless, [1, 999, 5000]), Uint8Array.of(delimiter), frame]);
    expect(heard.bodies).toEqual([body]);
    expect(heard.counts).toEqual({ good: 1, damaged: 0, tooLong: 1 });
  });

  it("are checked with the implied address of their type", () => {
    const address = Uint8Array.of(2, 0, 0, 0, 0, 0x11);
    const short = Uint8Array.of(3, 9, 1, 2, 3);
    const sent = frameBytes(short, { framing, leadingDelimiter: false, seed: address });
    const seeds = (seed: Uint8Array | undefined) => ({
      seedFor: (type: number) => (type === 3 ? seed : undefined),
    });
    expect(hear(framing, [sent], seeds(address)).bodies).toEqual([short]);
    expect(hear(framing, [frame], seeds(address)).bodies).toEqual([body]);
    const other = Uint8Array.of(2, 0, 0, 0, 0, 0x12);
    for (const wrong of [other, undefined, address.subarray(1)]) {
      const { bodies, counts } = hear(framing, [sent], seeds(wrong));
      expect({ bodies, counts }).toMatchObject({ bodies: [], counts: { good: 0, damaged: 1 } });
    }
  });
});

describe("the CRC", () => {
  it("stands least significant byte first, over the implied address and the body", () => {
    const seed = Uint8Array.of(2, 0x11);
    const body = Uint8Array.of(3, 9);
    const covered = join(seed, body);
    const crc = ~updateCrc16(CRC16_START, covered, 0, covered.length) & 0xffff;
    const bytes = frameBytes(body, { framing: "cobs", leadingDelimiter: false, seed });
    expect([...bytes]).toEqual([5, 3, 9, crc & 0xff, crc >> 8, 0]);
  });
});

describe("text that is no frame", () => {
  it("is offered line by line, frames around it or not", () => {
    const text = new TextEncoder().encode("boot: rev 3\r\nradio up\r\n");
    const frame = line("cobs", [7], true);
    expect(hear("cobs", [join(frame, text, frame)]).lines).toEqual(["boot: rev 3", "radio up"]);
  });

  it("ends where a delimiter comes", () => {
    const [first, second] = ["radio up", "row seven"].map((text) => [...Buffer.from(text), 0]);
    expect(hear("cobs", [join(first!, second!)]).lines).toEqual(["radio up", "row seven"]);
  });

  it("and that no delimiter ends, is offered when nothing more comes", () => {
    const reader = new FrameReader("cobs", 20);
    const lines: string[] = [];
    let frames = 0;
    const handlers = { onFrame: () => frames++, onText: (text: string) => lines.push(text) };
    reader.push(new TextEncoder().encode("radio up"), handlers);
    expect(lines).toEqual([]);
    reader.end(handlers);
    reader.end(handlers);
    expect(lines).toEqual(["radio up"]);
    reader.push(new TextEncoder().encode("frost in row 7, fans on"), handlers);
    reader.push(new TextEncoder().encode("; row 8"), handlers);
    reader.end(handlers);
    expect(lines).toEqual(["radio up", "frost in row 7, fans on; row 8"]);
    reader.push(line("cobs", [7]), handlers);
    expect(frames).toBe(1);
    expect(reader.counts).toEqual({ good: 1, damaged: 0, tooLong: 0 });
  });

  it("is offered as it comes when it is too long for a frame", () => {
    const text = new TextEncoder().encode("radio up\n".repeat(10));
    const { lines } = hear("cobs", singly(text), { bodyBytesMax: 20 });
    expect(lines).toHaveLength(10);
    expect(new Set(lines)).toEqual(new Set(["radio up"]));
  });

  it("is not made of damaged datagrams", () => {
    fc.assert(
      fc.property(fc.uint8Array({ minLength: 100, maxLength: 250 }), (body) => {
        const damaged = line("cobs", body);
        damaged[1] = damaged[1]! ^ 0x55 || 1;
        expect(hear("cobs", [damaged]).lines.join("").length).toBeLessThan(30);
      }),
    );
  });
});

describe("the longest body", () => {
  const frame = line("cobs", new Uint8Array(40).fill(9));
  const onFrames = (reader: FrameReader, bytes: Uint8Array) => {
    let frames = 0;
    reader.push(bytes, { onFrame: () => frames++ });
    return frames;
  };

  it("may grow while a frame is under way", () => {
    const reader = new FrameReader("cobs", 20);
    expect(onFrames(reader, frame.subarray(0, 15))).toBe(0);
    reader.bodyBytesMax = 40;
    expect(reader.bodyBytesMax).toBe(40);
    expect(onFrames(reader, frame.subarray(15))).toBe(1);
  });

  it("may shrink while a frame is under way, which is then too long", () => {
    const reader = new FrameReader("cobs", 40);
    expect(onFrames(reader, frame.subarray(0, 30))).toBe(0);
    reader.bodyBytesMax = 20;
    expect(onFrames(reader, join(frame.subarray(30), line("cobs", [7])))).toBe(1);
    expect(reader.counts).toEqual({ good: 1, damaged: 0, tooLong: 1 });
  });

  it("may change in the middle of a push, as HELLO does", () => {
    const reader = new FrameReader("cobs", 20);
    const sizes: number[] = [];
    reader.push(join(line("cobs", [0x81]), frame), {
      onFrame: (body) => {
        sizes.push(body.length);
        reader.bodyBytesMax = 40;
      },
    });
    expect(sizes).toEqual([1, 40]);
  });
});

describe("a handler that throws", () => {
  it("spoils no frame that is pushed afterwards", () => {
    const reader = new FrameReader("cobs", 20);
    const failing = {
      onFrame: () => {
        throw new Error("not ours");
      },
    };
    expect(() => reader.push(line("cobs", [7]), failing)).toThrow("not ours");
    let frames = 0;
    reader.push(line("cobs", [7]), { onFrame: () => frames++ });
    expect(frames).toBe(1);
  });
});

describe("any line", () => {
  it("that is undamaged gives all frames in order, however it is cut", () => {
    fc.assert(
      fc.property(framings, bodies, fc.boolean(), places, (framing, sent, isBusy, where) => {
        const whole = join(
          ...sent.map((body, index) => line(framing, body, index === 0 || !isBusy)),
        );
        const { bodies: got, counts } = hear(framing, cut(whole, where));
        expect(got).toEqual(sent);
        expect(counts).toEqual({ good: sent.length, damaged: 0, tooLong: 0 });
      }),
    );
  });

  const damage = fc.oneof(
    fc.record({ kind: fc.constant("flip" as const), mask: fc.integer({ min: 1, max: 255 }) }),
    fc.record({ kind: fc.constant("drop" as const), mask: fc.constant(0) }),
    fc.record({ kind: fc.constant("insert" as const), mask: fc.integer({ min: 0, max: 255 }) }),
  );

  it("that is damaged in one place gives no wrong frame, and the rest of them", () => {
    // The CRC-16 lets one damage in 65,536 through: in 1,000 runs seldom one, hardly ever three.
    let wrong = 0;
    fc.assert(
      fc.property(
        framings,
        bodies,
        fc.nat(2000),
        damage,
        (framing, sent, place, { kind, mask }) => {
          const lines = sent.map((body) => line(framing, body));
          const whole = join(...lines);
          const at = place % whole.length;
          const bytes = [...whole];
          if (kind === "flip") bytes[at] = bytes[at]! ^ mask;
          else if (kind === "drop") bytes.splice(at, 1);
          else bytes.splice(at, 0, mask);
          const after = line(framing, [7, 7, 7], true);
          const { bodies: got } = hear(framing, [join(bytes, after)]);
          // At most the frame that was hit is missing, and its neighbour if the delimiter was hit.
          expect(got.at(-1)).toEqual(Uint8Array.of(7, 7, 7));
          let from = 0;
          const untouched = sent.filter((_, index) => {
            const to = from + lines[index]!.length;
            const isHit = at >= from - 1 && at < to;
            from = to;
            return !isHit;
          });
          expect(isWithin(untouched, got)).toBe(true);
          if (!isWithin(got.slice(0, -1), sent)) wrong++;
        },
      ),
      { numRuns: 1000 },
    );
    expect(wrong).toBeLessThanOrEqual(2);
  });

  /** Whether `few` is `many` with some left out. */
  function isWithin(few: readonly Uint8Array[], many: readonly Uint8Array[]): boolean {
    let next = 0;
    for (const one of many) {
      if (next < few.length && Buffer.from(one).equals(few[next]!)) next++;
    }
    return next === few.length;
  }

  it("however hostile, throws nothing, and the frame behind the next delimiter arrives", () => {
    const hostile = fc.array(
      fc.oneof(fc.integer({ min: 0, max: 255 }), fc.constantFrom(0, 0xc0, 0xdb, 1, 0xff)),
      { maxLength: 800 },
    );
    fc.assert(
      fc.property(framings, hostile, places, (framing, noise, where) => {
        const after = line(framing, [7, 7, 7], true);
        const whole = join(noise, after);
        const {
          bodies: got,
          counts,
          lines,
        } = hear(framing, cut(whole, where), {
          bodyBytesMax: 30,
        });
        expect(got.at(-1)).toEqual(Uint8Array.of(7, 7, 7));
        for (const body of got) expect(body.length).toBeLessThanOrEqual(30);
        for (const text of lines) expect(text.length).toBeLessThanOrEqual(256);
        const again = hear(framing, singly(whole), { bodyBytesMax: 30 });
        expect(again).toEqual({ bodies: got, counts, lines });
      }),
    );
  });
});

describe("the reader's work", () => {
  /** How many bytes were copied into its buffers and out, counted in the arrays themselves. */
  function bytesCopied(run: () => void): number {
    const { set } = Uint8Array.prototype;
    let copied = 0;
    Uint8Array.prototype.set = function (this: Uint8Array, source: ArrayLike<number>, at?: number) {
      copied += source.length;
      set.call(this, source, at);
    };
    try {
      run();
    } finally {
      Uint8Array.prototype.set = set;
    }
    return copied;
  }

  it("grows with the number of bytes, even if they come one by one and never end", () => {
    const reader = new FrameReader("cobs", 1521);
    const noise = singly(new Uint8Array(50_000).fill(0x55));
    const ignore = { onFrame: () => {} };
    const copied = bytesCopied(() => {
      for (const piece of noise) reader.push(piece, ignore);
    });
    expect(copied).toBeLessThanOrEqual(noise.length);
  });
});
