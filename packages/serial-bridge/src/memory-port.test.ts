import { VirtualClock } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import type { BytePort, PortSource } from "./byte-port.js";
import type { SerialBridgeError } from "./errors.js";
import { MemoryLine, type MemoryLineOptions } from "./memory-port.js";

/** What one end has heard. */
interface Ear {
  readonly port: BytePort;
  readonly bytes: number[];
  readonly closed: string[];
}

async function listen(source: PortSource, bitRate = 115_200): Promise<Ear> {
  const bytes: number[] = [];
  const closed: string[] = [];
  const port = await source.open(bitRate, {
    onBytes: (heard) => bytes.push(...heard),
    onClosed: (why) => closed.push(why),
  });
  return { port, bytes, closed };
}

async function openLine(options: Partial<MemoryLineOptions> = {}, rates = [115_200, 115_200]) {
  const clock = new VirtualClock();
  const line = new MemoryLine({ clock, ...options });
  const host = await listen(line.host, rates[0]);
  const board = await listen(line.board, rates[1]);
  return { clock, line, host, board };
}

const counting = (length: number) => Uint8Array.from({ length }, (_, index) => index & 0xff);
const nothing = () => {};

describe("a line in memory", () => {
  it("carries bytes both ways at once, in order", async () => {
    const { clock, host, board } = await openLine();
    host.port.write(counting(300), nothing);
    board.port.write(counting(100).reverse(), nothing);
    clock.runSync();
    expect(board.bytes).toEqual([...counting(300)]);
    expect(host.bytes).toEqual([...counting(100).reverse()]);
  });

  it.each([9600, 115_200, 921_600, 3_000_000])(
    "needs ten bit times for each byte at %d baud",
    async (bitRate) => {
      const { clock, host, board } = await openLine({}, [bitRate, bitRate]);
      host.port.write(counting(1000), nothing);
      const needUs = Math.ceil((1000 * 10_000_000) / bitRate);
      clock.runSync(needUs - 1);
      expect(board.bytes.length).toBeLessThan(1000);
      clock.runSync(needUs);
      expect(board.bytes).toHaveLength(1000);
    },
  );

  it("is as fast in small writes as in one", async () => {
    const { clock, host, board } = await openLine();
    let left = 1000;
    const more = () => left-- > 0 && host.port.write(Uint8Array.of(left & 0xff), more);
    more();
    clock.runSync(Math.ceil((1000 * 10_000_000) / 115_200));
    expect(board.bytes).toHaveLength(1000);
  });

  it("takes no more than its buffer holds ahead of the line, and says when it takes more", async () => {
    const { clock, host } = await openLine({ bufferBytes: 64 });
    let done = 0;
    host.port.write(counting(64), () => done++);
    expect(done).toBe(0);
    clock.runSync(0);
    expect(done).toBe(1);
    host.port.write(counting(100), () => done++);
    // 164 bytes, of which 64 find room.
    clock.runSync(Math.floor((85 * 10_000_000) / 115_200));
    expect(done).toBe(1);
    clock.runSync(Math.ceil((115 * 10_000_000) / 115_200));
    expect(done).toBe(2);
    expect(() => {
      host.port.write(counting(100), nothing);
      host.port.write(counting(1), nothing);
    }).toThrow("One write at a time");
  });

  it("has its own copy of what it has taken", async () => {
    const { clock, host, board } = await openLine();
    const mine = counting(8);
    host.port.write(mine, () => mine.fill(0xee));
    clock.runSync();
    expect(board.bytes).toEqual([...counting(8)]);
  });

  it("spoils what is kept after onBytes, as a real port would", async () => {
    const clock = new VirtualClock();
    const line = new MemoryLine({ clock });
    const host = await listen(line.host);
    const kept: Uint8Array[] = [];
    await line.board.open(115_200, { onBytes: (bytes) => kept.push(bytes), onClosed: nothing });
    host.port.write(counting(5), nothing);
    clock.runSync();
    expect(kept.flatMap((bytes) => [...bytes])).not.toEqual([...counting(5)]);
  });

  it("loses what nobody listens to", async () => {
    const { clock, line, host, board } = await openLine();
    board.port.close();
    host.port.write(counting(50), nothing);
    clock.runSync();
    const again = await listen(line.board);
    host.port.write(counting(3), nothing);
    clock.runSync();
    expect(board.bytes).toEqual([]);
    expect(again.bytes).toEqual([...counting(3)]);
  });

  it("sends what was written before close, and calls nothing after it", async () => {
    const { clock, host, board } = await openLine();
    let done = 0;
    host.port.write(counting(50), () => done++);
    board.port.write(counting(50), nothing);
    host.port.close();
    host.port.close();
    clock.runSync();
    expect(board.bytes).toEqual([...counting(50)]);
    expect([done, host.bytes.length, host.closed.length]).toEqual([0, 0, 0]);
  });
});

describe("bit rates", () => {
  it("that differ make other bytes of them, fewer for the slower end", async () => {
    const { clock, host, board } = await openLine({}, [921_600, 115_200]);
    host.port.write(counting(4000), nothing);
    board.port.write(counting(250), nothing);
    clock.runSync();
    expect(board.bytes.length).toBeGreaterThan(300);
    expect(board.bytes.length).toBeLessThan(800);
    expect(host.bytes).toHaveLength(250);
    expect(host.bytes).not.toEqual([...counting(250)]);
  });

  it("that differ by less than 4 % are the same", async () => {
    const { clock, host, board } = await openLine({}, [115_200, 117_000]);
    host.port.write(counting(50), nothing);
    clock.runSync();
    expect(board.bytes).toEqual([...counting(50)]);
  });
});

describe("faults", () => {
  const LENGTH = 100_000;

  it("come as often as was asked for, each way by itself", async () => {
    const { clock, line, host, board } = await openLine({ bufferBytes: LENGTH });
    line.setFaults({ flip: 0.02, drop: 0.05, insert: 0.01 }, "toBoard");
    host.port.write(counting(LENGTH), nothing);
    board.port.write(counting(1000), nothing);
    clock.runSync();
    const { toBoard, toHost } = line.statistics;
    expect(toBoard.bytes).toBe(LENGTH);
    expect(toBoard.dropped / LENGTH).toBeCloseTo(0.05, 2);
    expect(toBoard.inserted / LENGTH).toBeCloseTo(0.01, 2);
    expect(toBoard.flipped / LENGTH).toBeCloseTo(0.019, 2);
    expect(board.bytes).toHaveLength(LENGTH - toBoard.dropped + toBoard.inserted);
    expect(toHost).toEqual({ bytes: 1000, flipped: 0, dropped: 0, inserted: 0 });
    expect(host.bytes).toEqual([...counting(1000)]);
  });

  it("turn over one bit of each byte, any of the eight", async () => {
    const { clock, host, board } = await openLine({ faults: { flip: 1 } });
    host.port.write(new Uint8Array(500), nothing);
    clock.runSync();
    expect(new Set(board.bytes)).toEqual(new Set([1, 2, 4, 8, 16, 32, 64, 128]));
  });

  it("end when they are switched off", async () => {
    const { clock, line, host, board } = await openLine({ faults: { drop: 1 } });
    host.port.write(counting(20), nothing);
    clock.runSync();
    line.setFaults({});
    host.port.write(counting(20), nothing);
    clock.runSync();
    expect(board.bytes).toEqual([...counting(20)]);
  });

  it("follow from the seed", async () => {
    await fc.assert(
      fc.asyncProperty(fc.integer(), async (seed) => {
        const heard = async (seedNow: number) => {
          const faults = { flip: 0.1, drop: 0.1, insert: 0.1 };
          const { clock, host, board } = await openLine({ seed: seedNow, faults });
          host.port.write(counting(200), nothing);
          clock.runSync();
          return board.bytes;
        };
        expect(await heard(seed)).toEqual(await heard(seed));
        expect(await heard(seed)).not.toEqual(await heard(seed + 1));
      }),
      { numRuns: 20 },
    );
  });
});

describe("the cable", () => {
  it("pulled: the host's port is gone, the board hears nothing, what was under way is lost", async () => {
    const { clock, line, host, board } = await openLine();
    host.port.write(counting(200), nothing);
    clock.runSync(5000);
    const before = board.bytes.length;
    line.pull();
    board.port.write(counting(5), nothing);
    clock.runSync();
    expect(before).toBeLessThan(200);
    expect(board.bytes).toHaveLength(before);
    expect(host.closed).toEqual(["The cable was pulled."]);
    expect(board.closed).toEqual([]);
    await expect(line.host.open(115_200, host as never)).rejects.toMatchObject({
      code: "port-not-found",
    });
  });

  it("put back: both hear again", async () => {
    const { clock, line, board } = await openLine();
    line.pull();
    clock.runSync();
    line.plug();
    const host = await listen(line.host);
    host.port.write(counting(9), nothing);
    clock.runSync();
    expect(board.bytes).toEqual([...counting(9)]);
  });

  it("may take both ports away", async () => {
    const { clock, line, host, board } = await openLine();
    line.pull("both");
    clock.runSync();
    expect([host.closed, board.closed]).toEqual([
      ["The cable was pulled."],
      ["The cable was pulled."],
    ]);
  });

  it("pulled while a write waits: its done is not called", async () => {
    const { clock, line, host } = await openLine({ bufferBytes: 1 });
    let done = 0;
    host.port.write(counting(100), () => done++);
    line.pull();
    clock.runSync();
    expect(done).toBe(0);
  });
});

describe("opening", () => {
  it.each(["port-not-found", "port-busy", "port-forbidden", "port-failed"] as const)(
    "fails with %s when a test asks for it",
    async (code) => {
      const line = new MemoryLine({ clock: new VirtualClock(), label: "the orchard's line" });
      line.obstructOpening(code);
      const error = await listen(line.host).catch((cause: SerialBridgeError) => cause);
      expect(error).toMatchObject({ code, name: "SerialBridgeError" });
      expect((error as Error).message).toContain("the orchard's line");
      line.obstructOpening(undefined);
      await listen(line.host);
    },
  );

  it("twice is busy", async () => {
    const { line } = await openLine();
    await expect(listen(line.host)).rejects.toMatchObject({ code: "port-busy" });
  });

  it.each([0, -1, 1.5, Number.NaN, 1e9])("refuses the bit rate %d", async (bitRate) => {
    const line = new MemoryLine({ clock: new VirtualClock() });
    await expect(listen(line.host, bitRate)).rejects.toMatchObject({ code: "invalid-option" });
  });

  it.each([
    { seed: 1.5 },
    { bufferBytes: 0 },
    { bufferBytes: Number.NaN },
    { faults: { drop: 2 } },
    { faults: { flip: Number.NaN } },
    { faults: { lose: 0.1 } as never },
  ])("refuses %o", (options) => {
    expect(() => new MemoryLine({ clock: new VirtualClock(), ...options })).toThrow(
      expect.objectContaining({ code: "invalid-option" }),
    );
  });
});
