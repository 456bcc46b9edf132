import { VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import type { SerialBridgeError } from "../errors.js";
import { type NodePortOptions, NodePortSource } from "./node-port.js";
import type { ControlWires, SerialPortInfo, SerialSystem, SystemPort } from "./serial-system.js";

/** A port whose every answer the test gives. */
class FakePort implements SystemPort {
  readonly log: string[] = [];
  bytesMax = 0;
  closings = 0;
  wiresError: Error | undefined;
  readonly #arrivals: Uint8Array[] = [];
  #arrived: (() => void) | undefined;
  #fail: ((error: Error) => void) | undefined;
  #finishWrite: { resolve: () => void; reject: (error: Error) => void } | undefined;
  #gone: ((why: string) => void) | undefined;

  async read(buffer: Buffer): Promise<number> {
    this.bytesMax = buffer.length;
    if (this.#arrivals.length === 0) {
      await new Promise<void>((resolve, reject) => {
        this.#arrived = resolve;
        this.#fail = reject;
      });
    }
    const bytes = this.#arrivals.shift() ?? new Uint8Array(0);
    buffer.set(bytes);
    return bytes.length;
  }

  write(bytes: Uint8Array): Promise<void> {
    this.log.push(`write ${bytes.join(" ")}`);
    return new Promise((resolve, reject) => {
      this.#finishWrite = { resolve, reject };
    });
  }

  async set(wires: ControlWires): Promise<void> {
    if (this.wiresError) throw this.wiresError;
    this.log.push(`dtr ${wires.dtr}, rts ${wires.rts}`);
  }

  async close(): Promise<void> {
    this.closings++;
    // As serialport 13 does it; closed twice at once, its native code ends the process.
    if (this.closings === 1) this.#gone?.("Canceled");
    this.#fail?.(new Error("Canceled"));
    this.#finishWrite?.reject(new Error("Canceled"));
  }

  onGone(callback: (why: string) => void): void {
    this.#gone = callback;
  }

  arrive(...bytes: number[]): void {
    this.#arrivals.push(Uint8Array.from(bytes));
    this.#arrived?.();
  }

  failReading = (why: string) => this.#fail?.(new Error(why));
  finishWriting = () => this.#finishWrite?.resolve();
  failWriting = (why: string) => this.#finishWrite?.reject(new Error(why));
  goAway = (why: string) => this.#gone?.(why);
}

/** A computer with some ports; which they are can change. */
function computer(initial: readonly SerialPortInfo[] = []) {
  const state = {
    ports: initial as readonly SerialPortInfo[] | "unknown",
    opened: [] as string[],
    port: new FakePort(),
    error: undefined as Error | undefined,
  };
  const system: SerialSystem = {
    open: async ({ path, bitRate, dropWiresOnClose }) => {
      state.opened.push(`${path} ${bitRate}${dropWiresOnClose ? "" : ", wires stay"}`);
      if (state.error) throw state.error;
      return state.port;
    },
    list: async () => {
      if (state.ports === "unknown") throw new Error("no list");
      return [...state.ports];
    },
    groupOf: async () => undefined,
    realPath: async (path) => (path === "/dev/serial/by-id/row" ? "/dev/ttyUSB0" : path),
  };
  return { state, system };
}

/** Opens the port; what the handlers get is written down. */
async function open(options: NodePortOptions, at = computer()) {
  const log: string[] = [];
  const source = new NodePortSource(options, at.system);
  const port = await source.open(115_200, {
    onBytes: (bytes) => log.push(`bytes ${bytes.join(" ")}`),
    onClosed: (why) => log.push(`closed: ${why}`),
  });
  return { ...at, source, port, log };
}

const untilIdle = () => new Promise((resolve) => setImmediate(resolve));
const nobody = { onBytes: () => undefined, onClosed: () => undefined };

async function refusal(promise: Promise<unknown>): Promise<string> {
  const error = await promise.then(
    () => undefined,
    (reason: SerialBridgeError) => reason,
  );
  return `${error?.code}: ${error?.message}`;
}

describe("an open port", () => {
  it("gives its bytes as they come, and its bit rate", async () => {
    const { port, state, log } = await open({ path: "/dev/ttyUSB0" });
    expect(port.bitRate).toBe(115_200);
    state.port.arrive(1, 2, 3);
    state.port.arrive(4);
    await untilIdle();
    expect(log).toEqual(["bytes 1 2 3", "bytes 4"]);
    expect(state.port.bytesMax).toBeLessThanOrEqual(4096);
  });

  it("says that it takes more when the operating system has taken all, not from inside write", async () => {
    const { port, state } = await open({ path: "/dev/ttyUSB0" });
    const log: string[] = [];
    port.write(Uint8Array.of(7, 8), () => log.push("done"));
    log.push("returned");
    await untilIdle();
    expect(log).toEqual(["returned"]);
    state.port.finishWriting();
    await untilIdle();
    expect(log).toEqual(["returned", "done"]);
    expect(state.port.log).toEqual(["write 7 8"]);
  });

  it.each([
    ["a read fails", (port: FakePort) => port.failReading("unplugged")],
    ["a write fails", (port: FakePort) => port.failWriting("unplugged")],
    ["the poller says so", (port: FakePort) => port.goAway("unplugged")],
  ])("tells once that it is gone when %s, and closes", async (_, breakPort) => {
    const { port, state, log } = await open({ path: "/dev/ttyUSB0" });
    const written: string[] = [];
    port.write(Uint8Array.of(1), () => written.push("done"));
    breakPort(state.port);
    await untilIdle();
    state.port.goAway("again");
    state.port.arrive(5);
    await untilIdle();
    state.port.finishWriting();
    await untilIdle();
    expect(log).toEqual(["closed: The port is gone (unplugged)."]);
    expect(written).toEqual([]);
    expect(state.port.closings).toBe(1);
  });

  it("calls nothing after close, which may be called twice", async () => {
    const { port, state, log } = await open({ path: "/dev/ttyUSB0" });
    state.port.arrive(1);
    port.write(Uint8Array.of(1), () => log.push("done"));
    state.port.finishWriting();
    const first = port.close();
    expect(port.close()).toBe(first);
    await first;
    state.port.goAway("late");
    state.port.arrive(2);
    await untilIdle();
    expect(log).toEqual([]);
    expect(state.port.closings).toBe(1);
  });
});

describe("a USB device", () => {
  const row = { path: "/dev/ttyUSB0", serialNumber: "ROW-7" };
  const other = { path: "/dev/ttyUSB0", serialNumber: "OTHER" };

  it("is opened under its new path when it comes back", async () => {
    const { source, state } = await open({ path: "/dev/ttyUSB0" }, computer([row]));
    state.ports = [other, { path: "/dev/ttyUSB4", serialNumber: "ROW-7" }];
    await source.open(9600, nobody);
    state.ports = [row];
    await source.open(9600, nobody);
    expect(state.opened).toEqual(["/dev/ttyUSB0 115200", "/dev/ttyUSB4 9600", "/dev/ttyUSB0 9600"]);
  });

  it("is not mistaken for another one that has got its path", async () => {
    const { source, state } = await open({ path: "/dev/ttyUSB0" }, computer([row]));
    state.ports = [other];
    expect(await refusal(source.open(9600, nobody))).toBe(
      "port-not-found: No port has the serial number ROW-7. " +
        "What is there: /dev/ttyUSB0 (serial number OTHER).",
    );
    expect(state.opened).toHaveLength(1);
  });

  it("is found by a symbolic link, and that one is used while it leads there", async () => {
    const link = "/dev/serial/by-id/row";
    const { source, state } = await open({ path: link }, computer([row]));
    await source.open(9600, nobody);
    state.ports = [{ path: "/dev/ttyUSB4", serialNumber: "ROW-7" }];
    await source.open(9600, nobody);
    expect(state.opened).toEqual([`${link} 115200`, `${link} 9600`, "/dev/ttyUSB4 9600"]);
  });

  it("is found by its serial number alone", async () => {
    const { source, state } = await open({ serialNumber: "ROW-7" }, computer([row]));
    expect(source.label).toBe("the port with serial number ROW-7");
    expect(state.opened).toEqual(["/dev/ttyUSB0 115200"]);
  });

  it("with several ports is opened at the path that was given, and at its place elsewhere", async () => {
    const second = { path: "/dev/ttyUSB1", serialNumber: "ROW-7" };
    const { source, state } = await open({ path: second.path }, computer([row, second]));
    await source.open(9600, nobody);
    state.ports = [{ ...row, path: "/dev/ttyUSB4" }];
    // The other port is not ours: the system is not done yet.
    expect(await refusal(source.open(9600, nobody))).toMatch(/^port-not-found: /);
    state.ports = [...state.ports, { ...row, path: "/dev/ttyUSB5" }];
    await source.open(9600, nobody);
    expect(state.opened).toEqual(["/dev/ttyUSB1 115200", "/dev/ttyUSB1 9600", "/dev/ttyUSB5 9600"]);
  });

  it("is looked for where the owner says", async () => {
    const listPorts = async () => [{ path: "/dev/pts/4", serialNumber: "ROW-7" }];
    const { state } = await open({ serialNumber: "ROW-7", listPorts });
    expect(state.opened).toEqual(["/dev/pts/4 115200"]);
  });
});

describe("a port without a serial number", () => {
  it("is opened at its path again, whatever is listed", async () => {
    const at = computer([{ path: "/dev/ttyS0" }]);
    const { source, state } = await open({ path: "/dev/ttyS0" }, at);
    for (const ports of [[], "unknown"] as const) {
      state.ports = ports;
      await source.open(9600, nobody);
    }
    expect(state.opened).toEqual(["/dev/ttyS0 115200", "/dev/ttyS0 9600", "/dev/ttyS0 9600"]);
  });

  it("tells why it could not be opened", async () => {
    const at = computer([{ path: "/dev/ttyS0" }]);
    at.state.error = new Error("Error: No such file or directory, cannot open /dev/ttyS7");
    const source = new NodePortSource({ path: "/dev/ttyS7" }, at.system);
    expect(await refusal(source.open(9600, nobody))).toBe(
      "port-not-found: There is no port /dev/ttyS7. What is there: /dev/ttyS0.",
    );
  });
});

it("uses the path where nothing can be listed, though a serial number was given", async () => {
  const at = computer();
  at.state.ports = "unknown";
  const { state, source } = await open({ path: "/dev/ttyUSB0", serialNumber: "ROW-7" }, at);
  state.ports = [{ path: "/dev/ttyUSB4", serialNumber: "ROW-7" }];
  await source.open(9600, nobody);
  expect(state.opened).toEqual(["/dev/ttyUSB0 115200", "/dev/ttyUSB4 9600"]);
});

describe("the wires", () => {
  it("are left to the operating system", async () => {
    const { state } = await open({ path: "/dev/ttyUSB0" });
    expect(state.opened).toEqual(["/dev/ttyUSB0 115200"]);
    expect(state.port.log).toEqual([]);
  });

  it("stay when no reset is wanted", async () => {
    const { state } = await open({ path: "/dev/ttyUSB0", resetOnOpen: false });
    expect(state.opened).toEqual(["/dev/ttyUSB0 115200, wires stay"]);
    expect(state.port.log).toEqual([]);
  });

  it("reset the board for a tenth of a second before the port is open", async () => {
    const clock = new VirtualClock();
    const opening = open({ path: "/dev/ttyUSB0", resetOnOpen: true, clock });
    await clock.run();
    const { state } = await opening;
    expect(clock.nowUs()).toBe(100_000);
    expect(state.port.log).toEqual(["dtr false, rts true", "dtr true, rts true"]);
  });

  it("may be missing: the port is closed again, and the error says what to do", async () => {
    const at = computer();
    at.state.port.wiresError = new Error("Error: Invalid argument, cannot set");
    const source = new NodePortSource({ path: "/dev/pts/3", resetOnOpen: true }, at.system);
    expect(await refusal(source.open(9600, nobody))).toBe(
      "port-failed: The board at /dev/pts/3 could not be reset: Error: Invalid argument, cannot set. " +
        "Leave resetOnOpen out if the port has no wires DTR and RTS.",
    );
    expect(at.state.port.closings).toBe(1);
  });
});

it("refuses options that name no port", () => {
  const { system } = computer();
  for (const options of [
    {},
    { path: "" },
    { serialNumber: "" },
    { path: 3 as unknown as string },
  ]) {
    expect(() => new NodePortSource(options, system)).toThrow(
      expect.objectContaining({ code: "invalid-option" }),
    );
  }
});
