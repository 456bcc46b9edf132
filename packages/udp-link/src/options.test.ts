import { describe, expect, it } from "vitest";
import { UdpLink } from "./link.js";
import type { UdpLinkOptions } from "./options.js";

/** What a program without types may pass. */
const bindAnything = (options: object) => UdpLink.bind(options as UdpLinkOptions);

describe("an option out of its range", () => {
  it.each<[string, object, string]>([
    ["host", {}, "undefined is not an IP address of this computer. Use 127.0.0.1"],
    ["host", { host: "localhost" }, '"localhost" is not an IP address'],
    ["port", { port: 65_536 }, "65536 is not a whole number from 0 to 65535"],
    ["port", { port: "7400" }, "7400 is not a whole number"],
    ["mtuBytes", { mtuBytes: 19 }, "19 is not a whole number from 20 to 65507"],
    ["mtuBytes", { mtuBytes: 65_508 }, "65508 is not a whole number from 20 to 65507"],
    ["outstandingMax", { outstandingMax: 0 }, "0 is not a whole number from 1 to 65536"],
    ["receiveBufferBytes", { receiveBufferBytes: 1023 }, "1023 is not a whole number from 1024"],
    [
      "sendBufferBytes",
      { sendBufferBytes: 2 ** 30 + 1 },
      "1073741825 is not a whole number from 1024",
    ],
    ["broadcast.address", { broadcast: { address: "all" } }, '"all" is not an IPv4 address'],
    [
      "broadcast.port",
      { port: 7400, broadcast: { address: "127.255.255.255", port: 0 } },
      "0 is not a whole number from 1 to 65535",
    ],
    ["broadcast.port", { broadcast: { address: "127.255.255.255" } }, "it is missing"],
    [
      "broadcast",
      { host: "::1", port: 7400, broadcast: { address: "127.255.255.255" } },
      "IPv6 has no broadcast",
    ],
    ["mtu", { mtu: 250 }, "there is no such option"],
  ])("%s: %j", async (name, options, sentence) => {
    const given = name === "host" ? options : { host: "127.0.0.1", ...options };
    await expect(bindAnything(given)).rejects.toMatchObject({
      name: "UdpLinkError",
      code: "invalid-option",
      message: expect.stringContaining(`Option ${name}: ${sentence}`),
    });
  });

  it("is found also when there are no options", async () => {
    await expect(bindAnything(undefined as unknown as object)).rejects.toMatchObject({
      code: "invalid-option",
    });
  });
});
