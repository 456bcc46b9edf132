import { describe, expect, it } from "vitest";
import { LINE_CHARACTERS_MAX, LineInput } from "./line-input.js";

const never = new AbortController().signal;

function inputOf(...parts: readonly string[]): LineInput {
  return new LineInput(
    (async function* () {
      for (const part of parts) yield new TextEncoder().encode(part);
    })(),
  );
}

async function allOf(input: LineInput): Promise<string[]> {
  const lines: string[] = [];
  for (let line = await input.next(never); line !== undefined; line = await input.next(never))
    lines.push(line);
  return lines;
}

describe("lines of the input", () => {
  it.each([
    [["yes\n"], ["yes"]],
    [
      ["ye", "s\r", "\nno\n"],
      ["yes", "no"],
    ],
    [["7K3VD-Q0ZXA\ny"], ["7K3VD-Q0ZXA", "y"]],
    [["\n\n"], ["", ""]],
    [[], []],
    [[""], []],
  ])("of %j are %j", async (parts, lines) => {
    expect(await allOf(inputOf(...parts))).toEqual(lines);
  });

  it("are the same when they come character by character, and in UTF-8", async () => {
    const bytes = new TextEncoder().encode("ja, grün\r\nno\n");
    const input = new LineInput(
      (async function* () {
        for (const byte of bytes) yield Uint8Array.of(byte);
      })(),
    );
    expect(await allOf(input)).toEqual(["ja, grün", "no"]);
  });

  it("are cut when they are long, and the next one is whole; what is kept is bounded", async () => {
    const long = "a".repeat(10_000);
    let most = 0;
    let look = () => 0;
    const input = new LineInput(
      (async function* () {
        for (let times = 0; times < 100; times++) {
          yield new TextEncoder().encode(long);
          most = Math.max(most, look());
        }
        yield new TextEncoder().encode("\nno\n");
      })(),
    );
    look = () => input.heldCharacters;
    expect(await allOf(input)).toEqual([long.slice(0, LINE_CHARACTERS_MAX), "no"]);
    expect(most).toBeLessThanOrEqual(10_000);
  });

  it("can be given up; what comes later is the next line", async () => {
    let come = (_: Uint8Array) => {};
    const input = new LineInput(
      (async function* () {
        yield await new Promise<Uint8Array>((resolve) => {
          come = resolve;
        });
        // Nothing more comes, and no end.
        await new Promise<never>(() => {});
      })(),
    );
    const giveUp = new AbortController();
    const first = input.next(giveUp.signal);
    giveUp.abort();
    await expect(first).rejects.toMatchObject({ name: "AbortError" });
    const second = input.next(never);
    come(new TextEncoder().encode("yes\n"));
    expect(await second).toBe("yes");
    await expect(input.next(giveUp.signal)).rejects.toMatchObject({ name: "AbortError" });
  });

  it("end where the input cannot be read", async () => {
    const input = new LineInput(
      (async function* () {
        yield new TextEncoder().encode("yes\nn");
        throw new Error("torn off");
      })(),
    );
    expect(await allOf(input)).toEqual(["yes", "n"]);
  });
});
