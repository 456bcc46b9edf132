import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { type Line, linesOf } from "./lines.js";

async function* inPieces(bytes: Uint8Array, sizes: readonly number[]) {
  let from = 0;
  for (const size of sizes) {
    yield bytes.subarray(from, from + size);
    from += size;
  }
  yield bytes.subarray(from);
}

async function collect(bytes: Uint8Array, sizes: readonly number[] = [], bytesMax = 100) {
  const lines: Line[] = [];
  for await (const line of linesOf(inPieces(bytes, sizes), bytesMax)) lines.push(line);
  return lines;
}

const utf8 = (text: string) => new TextEncoder().encode(text);

describe("linesOf", () => {
  it("gives the same lines however the bytes are cut", async () => {
    const anyText = fc.array(fc.string({ unit: "grapheme", maxLength: 10 }), { maxLength: 8 });
    await fc.assert(
      fc.asyncProperty(anyText, fc.array(fc.nat({ max: 9 })), async (parts, sizes) => {
        const text = parts.map((part) => part.replace(/[\r\n]/g, "")).join("\n");
        const lines = await collect(utf8(text), sizes);
        const expected = text.split("\n");
        if (expected.at(-1) === "") expected.pop();
        expect(lines.map((line) => line.text)).toEqual(expected);
        expect(lines.map(({ number }) => number)).toEqual(expected.map((_, index) => index + 1));
      }),
    );
  });

  it("says whether the last line is ended", async () => {
    const last = async (text: string) => (await collect(utf8(text))).at(-1)?.isEnded;
    await expect(last("one\ntwo\n")).resolves.toBe(true);
    await expect(last("one\ntwo")).resolves.toBe(false);
  });

  it("takes CR LF for one end", async () => {
    const lines = await collect(utf8("one\r\ntwo\r\n"), [4]);
    expect(lines.map(({ text }) => text)).toEqual(["one", "two"]);
  });

  it("passes over a line that is too long, and goes on behind it", async () => {
    const lines = await collect(utf8(`a\n${"x".repeat(101)}\n${"y".repeat(100)}\n`), [50, 30, 7]);
    expect(lines.map(({ text }) => text)).toEqual(["a", undefined, "y".repeat(100)]);
    expect(lines[1]?.fault).toBe("it is longer than 100 bytes");
  });

  it("holds no more of an endless line than the limit", async () => {
    const piece = new Uint8Array(1024 * 1024).fill(0x78);
    let given = 0;
    let heldMax = 0;
    async function* endless() {
      for (; given < 200; given++) {
        yield piece;
        heldMax = Math.max(heldMax, process.memoryUsage().arrayBuffers);
      }
    }
    const before = process.memoryUsage().arrayBuffers;
    for await (const line of linesOf(endless(), 1000)) expect(line.text).toBeUndefined();
    expect(given).toBe(200);
    expect(heldMax - before).toBeLessThan(50 * 1024 * 1024);
  });

  it("says which line is not UTF-8", async () => {
    const bytes = Uint8Array.of(0x61, 0x0a, 0xff, 0xfe, 0x0a, 0x62, 0x0a);
    const lines = await collect(bytes);
    expect(lines.map(({ text }) => text)).toEqual(["a", undefined, "b"]);
    expect(lines[1]?.fault).toBe("it is not UTF-8");
  });

  it("gives no line for no bytes", async () => {
    await expect(collect(new Uint8Array(0))).resolves.toEqual([]);
  });
});
