import { describe, expect, it } from "vitest";
import { bindError, errorCode } from "./bind.js";
import { bindLink } from "./bound-links.js";

/** An error as the system gives it. */
const systemError = (code: string) => Object.assign(new Error(`bind ${code}`), { code });

describe("when the system refuses to bind", () => {
  // What only some accounts and some systems answer is told apart by its code.
  it.each([
    ["EADDRINUSE", "address-in-use", "127.0.0.1:80 is in use. End the program that has it"],
    ["EADDRNOTAVAIL", "address-not-available", "does not have the address 127.0.0.1. It has "],
    [
      "EACCES",
      "not-permitted",
      "This account may not use 127.0.0.1:80. Choose a port from 1024 up",
    ],
    ["EPERM", "not-permitted", "This account may not use 127.0.0.1:80"],
    ["ENFILE", "bind-failed", "127.0.0.1:80 cannot be used: the system says ENFILE. Check"],
  ])("%s becomes %s", (code, ours, sentence) => {
    const cause = systemError(code);
    const error = bindError(cause, "127.0.0.1", 80);
    expect(error).toMatchObject({ name: "UdpLinkError", code: ours, cause });
    expect(error.message).toContain(sentence);
  });

  it("an interface that does not exist is found", async () => {
    await expect(bindLink({ host: "fe80::1%no-such-interface" })).rejects.toMatchObject({
      name: "UdpLinkError",
      code: expect.stringMatching(/^(bind-failed|address-not-available)$/),
      message: expect.stringContaining("fe80::1%no-such-interface"),
    });
  });

  it("what is no error of the system has a code, too", () => {
    expect([new Error("x"), "x", undefined].map(errorCode)).toEqual(Array(3).fill("unknown"));
  });
});
