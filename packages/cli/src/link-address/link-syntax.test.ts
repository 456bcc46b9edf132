import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { EXIT, Problem } from "../problem.js";
import { parseLink } from "./link-syntax.js";

/** What is thrown for a link. */
function problemFor(text: string): Problem {
  try {
    parseLink(text);
  } catch (error) {
    if (error instanceof Problem) return error;
    throw error;
  }
  throw new Error(`${text} was taken`);
}

describe("parseLink", () => {
  it.each([
    ["serial:/dev/ttyUSB0", { kind: "serial", port: { path: "/dev/ttyUSB0" }, framing: "cobs" }],
    [
      "serial:COM3?baud=921600&framing=slip",
      { kind: "serial", port: { path: "COM3" }, framing: "slip", bitRate: 921_600 },
    ],
    [
      "serial:tcp://192.168.1.9:4000",
      { kind: "serial", port: { host: "192.168.1.9", port: 4000 }, framing: "cobs" },
    ],
    [
      "serial:tcp://[fd00::5]:4000?framing=slip",
      { kind: "serial", port: { host: "fd00::5", port: 4000 }, framing: "slip" },
    ],
    ["udp:", { kind: "udp", host: "0.0.0.0", port: 0 }],
    ["udp::7400", { kind: "udp", host: "0.0.0.0", port: 7400 }],
    ["udp:localhost", { kind: "udp", host: "127.0.0.1", port: 0 }],
    ["udp:[::1]:7400?mtu=1452", { kind: "udp", host: "::1", port: 7400, mtuBytes: 1452 }],
    [
      "udp:192.168.1.2:7400?broadcast=192.168.1.255:7401",
      {
        kind: "udp",
        host: "192.168.1.2",
        port: 7400,
        broadcast: { address: "192.168.1.255", port: 7401 },
      },
    ],
  ])("takes %s apart", (text, address) => expect(parseLink(text)).toEqual(address));

  it("takes the file of a recording apart, whatever it is called", () => {
    const parts = (text: string) => parseLink(`replay:${text}`);
    expect(parts("night.pcapng")).toEqual({ kind: "replay", path: "night.pcapng", speed: 1 });
    expect(parts("C:\\a, b.jsonl,speed=10")).toEqual({
      kind: "replay",
      path: "C:\\a, b.jsonl",
      speed: 10,
    });
  });

  it("has a default for everything of a simulated channel", () => {
    expect(parseLink("lossy:")).toEqual({
      kind: "lossy",
      preset: "reference",
      seed: 1,
      loss: 0,
      duplicate: 0,
      corrupt: 0,
      delayUs: 0,
      board: Uint8Array.of(2, 0, 0, 0, 0, 2),
      boards: 1,
      spacingM: 5,
    });
    const text =
      "lossy:loss=20%,burst=3,seed=7,preset=ieee802154,mtu=80,delay=5ms,board=02:0:0:0:0:ab,boards=4,every=1s,distance=80,spacing=0.5,channels=1+6";
    expect(parseLink(text)).toMatchObject({
      preset: "ieee802154",
      loss: 0.2,
      burst: 3,
      seed: 7,
      mtuBytes: 80,
      delayUs: 5000,
      board: Uint8Array.of(2, 0, 0, 0, 0, 0xab),
      boards: 4,
      everyUs: 1_000_000,
      distanceM: 80,
      spacingM: 0.5,
      radioChannels: [1, 6],
    });
  });

  it.each([
    ["", "it must begin with serial:, udp:, lossy: or replay:"],
    ["/dev/ttyUSB0", "it must begin with"],
    ["tcp:host:1", "it must begin with"],
    ["serial:", "the path of the port is missing"],
    ["serial:tcp://host", "tcp://host is not tcp://HOST:PORT"],
    ["serial:tcp://host:70000", "a port from 1 to 65535"],
    ["serial:/dev/x?baud=fast", "baud=fast is not valid. Give a whole number from 300"],
    ["serial:/dev/x?speed=9600", "there is no speed. Allowed: baud, framing"],
    ["serial:/dev/x?framing=ppp", "framing=ppp is not valid. Give one of cobs, slip"],
    ["udp:1:2:3", "1:2:3 is not HOST:PORT"],
    ["udp::70000", "the port 70000 is not 0 to 65535"],
    ["udp:?mtu=10", "mtu=10 is not valid. Give a whole number from 20 to 65507"],
    ["udp:?broadcast=all", "Give an address such as 192.168.1.255"],
    ["lossy:los=0.2", "there is no los. Did you mean loss? Allowed: loss, burst"],
    ["lossy:loss=0.2,loss=0.3", "loss is given twice"],
    ["lossy:loss", "loss has no value: write loss=…"],
    ["lossy:loss=0.2,,seed=1", "something is missing between the separators"],
    ["lossy:loss=1,burst=5", "with loss=1 there are no bursts"],
    ["lossy:loss=0.9,burst=2", "Give burst=10 or more"],
    ["lossy:board=01:00:00:00:00:02", "the first one even"],
    ["lossy:preset=constructor", "Give one of reference"],
    ["lossy:channels=1;6", "Give radio channels from 1 to 255"],
    ["lossy:channels=256", "Give radio channels from 1 to 255"],
    ["lossy:spacing=-1", "Give a number from 0"],
    ["lossy:constructor=1", "there is no constructor"],
    ["replay:", "the file is missing"],
    ["replay:,speed=2", "the file is missing"],
    ["replay:a.pcapng,speed=0.5", "speed=0.5 is not valid. Give a number from 1"],
    ["replay:a.pcapng,sped=2", "there is no sped. Did you mean speed?"],
  ])("refuses %j, and points at what is wrong", (text, words) => {
    const problem = problemFor(text);
    expect(problem.message).toContain(words);
    expect(problem.message).toContain(`In the link "${text}"`);
    expect([problem.exitCode, problem.code]).toEqual([EXIT.usage, "bad-link"]);
  });

  it("throws nothing but problems", () => {
    const kind = fc.constantFrom("serial:", "udp:", "lossy:", "");
    const word = fc.constantFrom(
      "loss",
      "=",
      ",",
      "?",
      "&",
      "0.2",
      "[",
      "]",
      ":",
      "baud",
      "tcp://",
      "1",
      "__proto__",
    );
    const rest = fc.oneof(
      fc.string({ unit: "binary" }),
      fc.array(word).map((words) => words.join("")),
    );
    fc.assert(
      fc.property(kind, rest, (start, end) => {
        try {
          parseLink(start + end);
        } catch (error) {
          expect(error).toBeInstanceOf(Problem);
        }
      }),
      { numRuns: 2000 },
    );
  });
});
