import { SerialBridgeError } from "@fardel/serial-bridge";
import type { ProbeResult, SerialPortInfo } from "@fardel/serial-bridge/node";
import { Command } from "commander";
import { describe, expect, it } from "vitest";
import { EXIT } from "../problem.js";
import { TestContext } from "../test-context.js";
import { addPorts, type PortSystem } from "./ports.js";

const bridge: ProbeResult = {
  answer: "bridge",
  bitRate: 921_600,
  facts: {
    mtuBytes: 250,
    queue: 4,
    peersMax: 20,
    canBroadcast: true,
    canSetChannel: true,
    tellsAcknowledgement: true,
    channel: 6,
    airtimeFixedUs: 0,
    airtimePerByteNs: 0,
    address: Uint8Array.of(2, 0, 0, 0, 0, 1),
    name: "orchard\u001b[2J",
  },
};

const answers: Record<string, ProbeResult> = {
  "/dev/ttyUSB0": bridge,
  "/dev/ttyUSB1": { answer: "silent" },
  "/dev/ttyUSB2": { answer: "no-frames", bytes: 34, text: "\nrst:0x1 boot\nmore" },
  "/dev/ttyS0": {
    answer: "failed",
    error: new SerialBridgeError("port-busy", "Another program has /dev/ttyS0 open."),
  },
};

const ports: SerialPortInfo[] = [
  { path: "/dev/ttyS0" },
  {
    path: "/dev/ttyUSB0",
    vendorId: "10c4",
    productId: "ea60",
    product: "UART bridge",
    serialNumber: "0001",
  },
  { path: "/dev/ttyUSB1", vendorId: "1a86", productId: "7523" },
  { path: "/dev/ttyUSB2", vendorId: "1a86", manufacturer: "Some maker" },
];

const system: PortSystem = {
  list: async () => ports,
  probe: async (path) => answers[path] ?? { answer: "silent" },
};

async function listed(args: readonly string[], given: PortSystem = system): Promise<TestContext> {
  const context = new TestContext();
  const program = new Command().exitOverride();
  addPorts(program, context, given);
  await program.parseAsync(["ports", ...args], { from: "user" });
  return context;
}

describe("fardel ports", () => {
  it("shows the ports of USB devices and what answers on them", async () => {
    const { out, err, exitCode } = await listed([]);
    expect(out).toBe(
      [
        "Port          Device              What answers",
        "/dev/ttyUSB0  UART bridge (0001)  bridge 02:00:00:00:00:01, orchard\\u{1b}[2J, datagrams of 250 bytes, channel 6, 921600 baud",
        "/dev/ttyUSB1  USB 1a86:7523       nothing",
        "/dev/ttyUSB2  Some maker          34 bytes, but no bridge: rst:0x1 boot",
        "",
      ].join("\n"),
    );
    expect(err).toContain("1 port without a USB device is not shown: --all shows it.");
    expect(exitCode).toBeUndefined();
  });

  it("shows the others with --all, and why one could not be opened", async () => {
    const { out } = await listed(["--all"]);
    expect(out).toContain("/dev/ttyS0                        Another program has /dev/ttyS0 open.");
  });

  it("opens none with --no-probe", async () => {
    const probe = () => Promise.reject(new Error("opened"));
    const { out } = await listed(["--no-probe"], { ...system, probe });
    expect(out).toContain("/dev/ttyUSB0  UART bridge (0001)  not looked at");
  });

  it("writes an object for each port, and a summary", async () => {
    const { objects } = await listed(["--all", "--json"]);
    expect(objects).toEqual([
      {
        type: "port",
        path: "/dev/ttyS0",
        answer: "failed",
        error: { code: "port-busy", message: "Another program has /dev/ttyS0 open." },
      },
      expect.objectContaining({
        type: "port",
        path: "/dev/ttyUSB0",
        serialNumber: "0001",
        answer: "bridge",
        bitRate: 921_600,
        bridge: expect.objectContaining({ address: "02:00:00:00:00:01", mtuBytes: 250 }),
      }),
      expect.objectContaining({ path: "/dev/ttyUSB1", answer: "silent" }),
      expect.objectContaining({ path: "/dev/ttyUSB2", answer: "no-frames", bytes: 34 }),
      { type: "summary", ports: 4, bridges: 1, hidden: 0 },
    ]);
  });

  it("looks at the ports that are named, with the bit rates given, and fails if one has no bridge", async () => {
    const asked: unknown[] = [];
    const probe: PortSystem["probe"] = async (path, { baud, framing }) => {
      asked.push([path, baud, framing]);
      return answers[path] ?? { answer: "silent" };
    };
    const named = await listed(
      ["/dev/ttyUSB0", "/tmp-pty", "--baud", "9600,115200", "--framing", "slip"],
      { ...system, probe },
    );
    expect(asked).toEqual([
      ["/dev/ttyUSB0", [9600, 115_200], "slip"],
      ["/tmp-pty", [9600, 115_200], "slip"],
    ]);
    expect(named.exitCode).toBe(EXIT.failed);
    expect((await listed(["/dev/ttyUSB0"])).exitCode).toBeUndefined();
  });

  it("opens no more than some at a time", async () => {
    let open = 0;
    let most = 0;
    const probe: PortSystem["probe"] = async () => {
      most = Math.max(most, ++open);
      await new Promise((resolve) => setImmediate(resolve));
      open--;
      return { answer: "silent" };
    };
    const many = Array.from({ length: 60 }, (_, index) => ({ path: `/dev/ttyS${index}` }));
    const { objects } = await listed(["--all", "--json"], { list: async () => many, probe });
    expect(most).toBe(16);
    expect(objects.slice(0, -1).map(({ path }) => path)).toEqual(many.map(({ path }) => path));
  });

  it("says what to do when there is none", async () => {
    const { out } = await listed([], { ...system, list: async () => [] });
    expect(out).toBe("No serial port of a USB device is there. Is the board plugged in?\n");
  });
});
