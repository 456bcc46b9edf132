import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { formatUdpAddress, resolveUdpAddress, udpAddress } from "./address.js";

const PORT = fc.integer({ min: 1, max: 65535 });
const bytesOf = (length: number) => fc.uint8Array({ minLength: length, maxLength: length });
const withPort = (host: readonly number[] | Uint8Array, port: number) =>
  Uint8Array.of(...host, port >> 8, port & 0xff);

describe("udpAddress", () => {
  it("puts four or sixteen bytes of the host before two of the port", () => {
    expect(udpAddress("192.168.1.5:7400")).toEqual(Uint8Array.of(192, 168, 1, 5, 0x1c, 0xe8));
    const v6 = [0xfd, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 5];
    expect(udpAddress("[fd00::5]:7400")).toEqual(withPort(v6, 7400));
    expect(udpAddress("[FD00:0:0:0:0:0:0.0.0.5]:65535")).toEqual(withPort(v6, 65535));
  });

  it.each([
    ["", "Write host:port"],
    ["192.168.1.5", "Write host:port"],
    ["192.168.1.5:", "Write host:port"],
    ["fd00::5:7400", "Write host:port"],
    ["192.168.1.5:7400 ", "Write host:port"],
    ["192.168.1.5:+7400", "Write host:port"],
    ["192.168.1.5:0", "The port must be 1 to 65535"],
    ["192.168.1.5:65536", "The port must be 1 to 65535"],
    ["192.168.1.256:7400", "four numbers from 0 to 255"],
    ["192.168.1:7400", "four numbers from 0 to 255"],
    ["[192.168.1.5]:7400", "Only an IPv6 address stands in brackets"],
    ["[fd00::5::]:7400", "Only an IPv6 address stands in brackets"],
    ["[fe80::1%eth0]:7400", "bind the link to that interface"],
    ["gateway.local:7400", "looked up by resolveUdpAddress"],
    ["x".repeat(301), "at most 300 characters"],
  ])("refuses %j and says what to do", (text, sentence) => {
    expect(() => udpAddress(text)).toThrow(
      expect.objectContaining({ code: "bad-address", message: expect.stringContaining(sentence) }),
    );
  });

  it("throws a typed error, or gives an address that it reads again, for any text", () => {
    const text = fc.oneof(fc.string(), fc.stringMatching(/^\[?[0-9a-f:.%]*\]?:\d{0,6}$/));
    fc.assert(
      fc.property(text, (any) => {
        let address: Uint8Array;
        try {
          address = udpAddress(any);
        } catch (error) {
          expect(error).toMatchObject({ name: "UdpLinkError", code: "bad-address" });
          return;
        }
        expect(udpAddress(formatUdpAddress(address))).toEqual(address);
      }),
    );
  });
});

describe("formatUdpAddress", () => {
  it("writes what udpAddress reads", () => {
    fc.assert(
      fc.property(fc.oneof(bytesOf(4), bytesOf(16)), PORT, (host, port) => {
        const address = withPort(host, port);
        expect(udpAddress(formatUdpAddress(address))).toEqual(address);
      }),
    );
  });

  it("writes IPv6 as a URL does", () => {
    // Many zeros, so that there is something to leave out.
    const byte = fc.oneof({ weight: 3, arbitrary: fc.constant(0) }, fc.nat(255));
    const groups = fc.array(byte, { minLength: 16, maxLength: 16 });
    fc.assert(
      fc.property(groups, PORT, (host, port) => {
        const text = formatUdpAddress(withPort(host, port));
        const hex = host.map((value) => value.toString(16).padStart(2, "0")).join("");
        const long = hex.match(/.{4}/g)?.join(":");
        expect(text).toBe(`${new URL(`http://[${long}]`).hostname}:${port}`);
      }),
    );
  });

  it.each([0, 5, 7, 17, 19])("refuses %i bytes", (length) => {
    expect(() => formatUdpAddress(new Uint8Array(length).fill(1))).toThrow(
      expect.objectContaining({ code: "bad-address" }),
    );
  });
});

describe("resolveUdpAddress", () => {
  it("looks up a name", async () => {
    expect(formatUdpAddress(await resolveUdpAddress("localhost:7400"))).toBe("127.0.0.1:7400");
  });

  it("takes IP addresses as they are", async () => {
    expect(await resolveUdpAddress("[fd00::5]:7400")).toEqual(udpAddress("[fd00::5]:7400"));
    expect(await resolveUdpAddress("10.0.0.1:1")).toEqual(udpAddress("10.0.0.1:1"));
    await expect(resolveUdpAddress("10.0.0.1:0")).rejects.toMatchObject({ code: "bad-address" });
  });

  it("says that there is no such host", async () => {
    // The name service shall never find it: RFC 6761, section 6.4.
    await expect(resolveUdpAddress("orchard.invalid:7400")).rejects.toMatchObject({
      code: "host-not-found",
      message: expect.stringMatching(/orchard\.invalid.*Check its spelling/),
    });
  });

  it("can be aborted", async () => {
    const reason = new Error("enough");
    const signal = AbortSignal.abort(reason);
    await expect(resolveUdpAddress("localhost:7400", { signal })).rejects.toMatchObject({
      code: "aborted",
      cause: reason,
    });
    const late = new AbortController();
    const looking = resolveUdpAddress("localhost:7400", { signal: late.signal });
    late.abort();
    await expect(looking).rejects.toMatchObject({ code: "aborted" });
  });
});
