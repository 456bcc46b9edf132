import { PassThrough } from "node:stream";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { printable, processOutput, toJson } from "./output.js";

describe("printable", () => {
  it("lets nothing through that a terminal obeys, or that hides what stands there", () => {
    expect(printable("a\u001b[2Jb\u202Ec\r\n")).toBe("a\\u{1b}[2Jb\\u{202e}c\\u{d}\\u{a}");
    expect(printable("Apfel-Straße 7 ❄")).toBe("Apfel-Straße 7 ❄");
    fc.assert(
      fc.property(fc.string({ unit: "binary" }), (text) => {
        expect(printable(text)).not.toMatch(/[\p{Cc}\p{Cf}\p{Cs}\p{Zl}\p{Zp}]/u);
      }),
    );
  });
});

describe("toJson", () => {
  it("writes what JSON has no word for", () => {
    const value = { sha256: Uint8Array.of(0, 0xab), number: 2n ** 60n, at: new Date(0) };
    expect(toJson(value)).toBe(
      '{"sha256":"00ab","number":"1152921504606846976","at":"1970-01-01T00:00:00.000Z"}',
    );
    expect(toJson({ bytes: Buffer.from([1, 2]) })).toBe('{"bytes":"0102"}');
  });
});

describe("processOutput", () => {
  it("asks for the width each time, and is a terminal only where errors go to one", () => {
    const stderr = { write: () => {}, isTTY: true, columns: 100 };
    const output = processOutput({ write: () => {} }, stderr);
    expect([output.isTerminal, output.columns]).toEqual([true, 100]);
    stderr.columns = 60;
    expect(output.columns).toBe(60);
    stderr.columns = 0;
    expect(output.columns).toBe(80);
    expect(processOutput(stderr, { write: () => {} }).isTerminal).toBe(false);
    expect(processOutput(stderr, { write: () => {} }).isOutTerminal).toBe(true);
    expect(processOutput({ write: () => {}, rows: 50 }, stderr).rows).toBe(50);
    expect(processOutput({ write: () => {}, rows: 0 }, stderr).rows).toBeUndefined();
  });

  it("waits for a slow reader, and not for one that has gone away", async () => {
    const stdout = new PassThrough({ highWaterMark: 4 });
    const output = processOutput(stdout, { write: () => {} });
    await output.drained?.();
    output.out("much more than four bytes");
    let isDrained = false;
    const drained = output.drained?.().then(() => {
      isDrained = true;
    });
    await Promise.resolve();
    expect(isDrained).toBe(false);
    stdout.resume();
    await drained;
    stdout.pause();
    output.out("much more than four bytes");
    const gone = output.drained?.();
    stdout.destroy();
    await gone;
  });
});
