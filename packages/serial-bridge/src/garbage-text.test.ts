import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { GarbageText } from "./garbage-text.js";

/** Lines found in bytes that come one by one, or all at once. */
function linesIn(bytes: string | readonly number[], step = 1): string[] {
  const all = typeof bytes === "string" ? new TextEncoder().encode(bytes) : Uint8Array.from(bytes);
  const lines: string[] = [];
  const text = new GarbageText();
  const handlers = { onText: (line: string) => lines.push(line) };
  for (let at = 0; at < all.length; at += step) text.push(all.subarray(at, at + step), handlers);
  text.end(handlers);
  return lines;
}

describe("GarbageText", () => {
  it.each([
    ["lines", "boot: rev 3\r\nradio up\n", ["boot: rev 3", "radio up"]],
    ["a line without an end", "radio up", ["radio up"]],
    ["empty lines as nothing", "\r\n\r\n  \nup 7\n", ["up 7"]],
    ["two characters as noise", "ok\nyes\n", ["yes"]],
    ["a tab as a blank", "rows\t12\n", ["rows 12"]],
    ["colours as nothing", "\u001b[0;32mI (31) boot\u001b[0m\n", ["I (31) boot"]],
    ["a lone ESC as noise", "row\u001b seven\n", ["row seven"]],
    ["other characters as missing", "-2.4 °C in row seven\n", ["-2.4 C in row seven"]],
    ["a DEL as missing", "row \u007fseven\n", ["row seven"]],
    ["a NUL as missing", "row \u0000seven\n", ["row seven"]],
  ])("takes %s", (_, bytes, expected) => {
    expect(linesIn(bytes)).toEqual(expected);
    expect(linesIn(bytes, 1000)).toEqual(expected);
  });

  it("drops lines that are mostly no text", () => {
    expect(linesIn([0x61, 0x62, 0x63, 0x64, 0x80, 0x81])).toEqual([]);
    expect(linesIn([0x61, 0x62, 0x63, 0x64, 0x65, 0x66, 0x80, 0x81])).toEqual(["abcdef"]);
  });

  it("cuts a line of more than 256 bytes", () => {
    const lines = linesIn("frost ".repeat(100).trim());
    expect(lines.map((line) => line.length)).toEqual([256, 256, 87]);
    expect(linesIn([...new Array(255).fill(0xff), ...Buffer.from("?row seven\n")])).toEqual([
      "row seven",
    ]);
  });

  it("forgets a colour that never ends with the line it began in", () => {
    expect(linesIn("\u001b[0;0;0;0\nradio up\n")).toEqual(["radio up"]);
  });

  it("hands out printable ASCII only, in lines of 256 at most, whatever comes", () => {
    fc.assert(
      fc.property(fc.uint8Array({ maxLength: 2000 }), (bytes) => {
        for (const line of linesIn([...bytes])) expect(line).toMatch(/^[\x20-\x7e]{3,256}$/);
      }),
    );
  });
});
