import { describe, expect, it } from "vitest";
import { bracketed, isExpectedHost, isLoopback, splitHost } from "./host-names.js";

describe("isLoopback", () => {
  it.each([
    ["127.0.0.1", true],
    ["127.8.0.9", true],
    ["localhost", true],
    ["LOCALHOST", true],
    ["::1", true],
    ["[::1]", true],
    ["0.0.0.0", false],
    ["::", false],
    ["192.168.1.9", false],
    ["127.evil.example", false],
    ["127.0.0.1.evil.example", false],
    ["localhost.evil.example", false],
    ["", false],
  ])("%s: %s", (host, expected) => {
    expect(isLoopback(host)).toBe(expected);
  });
});

describe("isExpectedHost", () => {
  it("knows nothing but loopback where only loopback is listened at", () => {
    for (const host of ["127.0.0.1", "localhost", "[::1]"]) {
      expect(isExpectedHost(host, "127.0.0.1")).toBe(true);
    }
    for (const host of ["orchard.example", "192.168.1.9", "127.0.0.1.evil.example"]) {
      expect(isExpectedHost(host, "127.0.0.1")).toBe(false);
    }
  });

  it("knows addresses, and the name that was given, where others may look; no other name", () => {
    expect(isExpectedHost("192.168.1.9", "0.0.0.0")).toBe(true);
    expect(isExpectedHost("[fe80::1]", "::")).toBe(true);
    expect(isExpectedHost("Gateway.orchard.example", "gateway.orchard.example")).toBe(true);
    expect(isExpectedHost("evil.example", "gateway.orchard.example")).toBe(false);
    expect(isExpectedHost("evil.example", "0.0.0.0")).toBe(false);
  });
});

describe("splitHost", () => {
  it.each([
    ["127.0.0.1:7441", { host: "127.0.0.1", port: 7441 }],
    ["localhost", { host: "localhost", port: 80 }],
    ["[::1]:80", { host: "[::1]", port: 80 }],
    ["", undefined],
    [undefined, undefined],
    ["::1:80", undefined],
    ["a b:80", undefined],
    ["user@127.0.0.1:80", undefined],
    ["127.0.0.1:123456", undefined],
  ])("%s", (header, expected) => {
    expect(splitHost(header)).toEqual(expected);
  });

  it("gives what can be put together again", () => {
    expect(["127.0.0.1", "::1", "localhost"].map(bracketed)).toEqual([
      "127.0.0.1",
      "[::1]",
      "localhost",
    ]);
  });
});
