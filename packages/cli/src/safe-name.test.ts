import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { safeName, splitName } from "./safe-name.js";

describe("safeName", () => {
  it.each([
    ["fans.bin", "fans.bin"],
    ["Reihe 7 – Lüfter.json", "Reihe 7 – Lüfter.json"],
    ["../../etc/passwd", "passwd"],
    ["/etc/cron.d/job", "job"],
    ["C:\\boards\\fans.bin", "fans.bin"],
    ["C:fans.bin", "C_fans.bin"],
    ["fans.bin:hidden", "fans.bin_hidden"],
    ["..", "unnamed"],
    ["a/..", "a"],
    ["", "unnamed"],
    [" . ", "unnamed"],
    [".profile", "profile"],
    ["...hidden", "hidden"],
    ["trailing. . ", "trailing"],
    ["con", "_con"],
    ["CON.txt", "_CON.txt"],
    ["Com1.fans.bin", "_Com1.fans.bin"],
    ["LPT¹", "_LPT¹"],
    ["conin$", "_conin$"],
    ["console.txt", "console.txt"],
    ["-rf", "_-rf"],
    ["two\nlines\u0000.txt", "twolines.txt"],
    ["exe\u202Egnp.bin", "exegnp.bin"],
    ["half \ud800 pair", "half  pair"],
    ["what? <a|b>*", "what_ _a_b__"],
  ])("makes %j into %j", (given, safe) => expect(safeName(given)).toBe(safe));

  it("cuts what is too long between characters, and keeps the extension", () => {
    const name = safeName(`${"ä".repeat(300)}.tar.gz`);
    expect(Buffer.byteLength(name)).toBeLessThanOrEqual(240);
    expect(name).toMatch(/^ä+\.gz$/);
    expect(Buffer.byteLength(safeName("❄".repeat(200)))).toBe(240);
  });

  it("gives a name that every system takes, and leaves that alone", () => {
    const parts = fc.constantFrom(
      "con",
      ".",
      "..",
      "/",
      "\\",
      " ",
      "-",
      "\u0000",
      "\u202e",
      "ä",
      "❄",
      "a".repeat(130),
      ".txt",
    );
    const names = fc.oneof(
      fc.string({ unit: "binary" }),
      fc.array(parts).map((list) => list.join("")),
    );
    fc.assert(
      fc.property(names, (given) => {
        const name = safeName(given);
        expect(name).not.toMatch(/[/\\<>:"|?*\p{Cc}\p{Cf}\p{Cs}]/u);
        expect(name).not.toMatch(/^[.\s-]|[.\s]$/u);
        expect(name).not.toMatch(/^(con|prn|aux|nul|com\d|lpt\d)(\.|$)/i);
        expect(Buffer.byteLength(name)).toBeGreaterThan(0);
        expect(Buffer.byteLength(name)).toBeLessThanOrEqual(240);
        expect(safeName(name)).toBe(name);
      }),
      { numRuns: 2000 },
    );
  });
});

describe("splitName", () => {
  it("finds an extension only where there is a stem before it, and it is short", () => {
    expect(splitName("a.tar.gz")).toEqual({ stem: "a.tar", extension: ".gz" });
    expect(splitName("plain")).toEqual({ stem: "plain", extension: "" });
    expect(splitName(".gz")).toEqual({ stem: ".gz", extension: "" });
    expect(splitName(`a.${"b".repeat(30)}`).extension).toBe("");
  });
});
