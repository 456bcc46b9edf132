import { tmpdir } from "node:os";
import { join } from "node:path";
import type { BytePort, SerialBridgeError } from "@fardel/serial-bridge";
import { type NodePortOptions, nodePortSource } from "@fardel/serial-bridge/node";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { lacksCommands } from "../system-commands.js";
import { ChildProgram } from "./child-program.js";
import { PtyPair } from "./pty-pair.js";

let pair: PtyPair;
const open: TestPort[] = [];

beforeEach(async () => {
  pair = await PtyPair.open();
});

afterEach(async () => {
  await Promise.all(open.splice(0).map((end) => end.port.close()));
  await pair.close();
});

/** An open port, and what has come of it. */
class TestPort {
  received = 0;
  readonly parts: Buffer[] = [];
  closed: string | undefined;
  port!: BytePort;
  #onChange: () => void = () => undefined;

  static async open(options: NodePortOptions): Promise<TestPort> {
    const end = new TestPort();
    end.port = await nodePortSource(options).open(115_200, {
      onBytes: (bytes) => {
        end.parts.push(Buffer.from(bytes));
        end.received += bytes.length;
        end.#onChange();
      },
      onClosed: (why) => {
        end.closed = why;
        end.#onChange();
      },
    });
    open.push(end);
    return end;
  }

  async until(isSo: () => boolean): Promise<void> {
    while (!isSo()) {
      await new Promise<void>((resolve) => {
        this.#onChange = resolve;
      });
    }
  }

  write(bytes: Uint8Array): Promise<void> {
    return new Promise((resolve) => this.port.write(bytes, resolve));
  }

  /** Write the same again and again, until the port is gone. */
  pour(bytes: Uint8Array): void {
    this.port.write(bytes, () => this.pour(bytes));
  }
}

async function refusal(options: NodePortOptions): Promise<string> {
  const error = await TestPort.open(options).then(
    () => undefined,
    (reason: SerialBridgeError) => reason,
  );
  return `${error?.code}: ${error?.message}`;
}

describe.skipIf(lacksCommands("socat"))("a serial port on a pseudo-terminal", () => {
  it("carries every byte, many at once both ways, unchanged", async () => {
    const host = await TestPort.open({ path: pair.hostPath });
    const board = await TestPort.open({ path: pair.boardPath });
    const ofHost = Uint8Array.from({ length: 100_000 }, (_, index) => index % 256);
    const ofBoard = Uint8Array.from({ length: 100_000 }, (_, index) => (index * 7 + 3) % 251);
    await Promise.all([
      host.write(ofHost),
      board.write(ofBoard),
      host.until(() => host.received >= ofBoard.length),
      board.until(() => board.received >= ofHost.length),
    ]);
    expect(Buffer.concat(board.parts).equals(ofHost)).toBe(true);
    expect(Buffer.concat(host.parts).equals(ofBoard)).toBe(true);
  });

  it("can be closed while nobody takes what it writes, and opened again", async () => {
    const host = await TestPort.open({ path: pair.hostPath });
    let isDone = false;
    host.port.write(new Uint8Array(1_000_000), () => {
      isDone = true;
    });
    await host.port.close();
    expect(isDone).toBe(false);
    expect(host.closed).toBeUndefined();
    const again = await TestPort.open({ path: pair.hostPath });
    const board = await TestPort.open({ path: pair.boardPath });
    await board.write(Uint8Array.of(1, 2, 3));
    await again.until(() => again.received === 3);
  });

  it("is gone when the cable is pulled, whether it is idle or busy", async () => {
    for (const traffic of ["idle", "to the host", "both ways"] as const) {
      const host = await TestPort.open({ path: pair.hostPath });
      const board = await TestPort.open({ path: pair.boardPath });
      const noise = new Uint8Array(64);
      if (traffic !== "idle") board.pour(noise);
      if (traffic === "both ways") host.pour(noise);
      if (traffic !== "idle") await host.until(() => host.received > 1000);
      await pair.pull();
      await Promise.all([host, board].map((end) => end.until(() => end.closed !== undefined)));
      await pair.plug();
    }
  });

  it("comes back under another path by its serial number", async () => {
    const listPorts = async () => [{ path: pair.hostPath, serialNumber: "ROW-7" }];
    const host = await TestPort.open({ serialNumber: "ROW-7", listPorts });
    const before = pair.hostPath;
    await pair.pull();
    await host.until(() => host.closed !== undefined);
    await pair.plug();
    expect(pair.hostPath).not.toBe(before);
    const again = await TestPort.open({ path: before, serialNumber: "ROW-7", listPorts });
    const board = await TestPort.open({ path: pair.boardPath });
    await again.write(Uint8Array.of(5));
    await board.until(() => board.received === 1);
  });
});

describe.skipIf(lacksCommands("socat"))("a port that cannot be opened", () => {
  it("is busy while another process has it, and free when that has been killed", async () => {
    const holder = new ChildProgram("test/interop/hold-port.ts", { path: pair.hostPath });
    try {
      await holder.hear();
      expect(await refusal({ path: pair.hostPath })).toBe(
        `port-busy: Another program has ${pair.hostPath} open. End it, then try again: two would steal each other's bytes.`,
      );
    } finally {
      await holder.kill();
    }
    await TestPort.open({ path: pair.hostPath });
  });

  it("is not there", async () => {
    const path = join(tmpdir(), "fardel-no-such-port");
    const sentence = await refusal({ path });
    expect(sentence).toContain(`port-not-found: There is no port ${path}. `);
    expect(sentence).toMatch(/No serial port is there|What is there: \//);
  });

  it("is no serial port", async () => {
    expect(await refusal({ path: tmpdir() })).toMatch(/^port-failed: .* is not a serial port/);
    expect(await refusal({ path: "/dev/null" })).toMatch(/^port-failed: .* is not a serial port/);
  });

  it("has no wires to reset the board with", async () => {
    expect(await refusal({ path: pair.hostPath, resetOnOpen: true })).toMatch(
      /^port-failed: .*Leave resetOnOpen out/,
    );
    await TestPort.open({ path: pair.hostPath, resetOnOpen: false });
  });
});
