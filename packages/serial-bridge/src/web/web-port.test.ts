import { describe, expect, it } from "vitest";
import type { SerialBridgeError } from "../errors.js";
import { webPortSource } from "./web-port.js";
import type { WebSerial, WebSerialPort } from "./web-serial.js";

const USB = { usbVendorId: 0x1209, usbProductId: 0x00b1 };

/** A port of a browser, made of web streams, that does what a test wants. */
class FakePort implements WebSerialPort {
  readable: ReadableStream<Uint8Array> | null = null;
  writable: WritableStream<Uint8Array> | null = null;
  readonly written: number[] = [];
  readonly log: string[] = [];
  readonly listeners = new Set<() => void>();
  openError: Error | undefined;
  writeError: Error | undefined;
  #controller: ReadableStreamDefaultController<Uint8Array> | undefined;

  constructor(readonly info: ReturnType<WebSerialPort["getInfo"]> = USB) {}

  async open({ baudRate }: { readonly baudRate: number }): Promise<void> {
    this.log.push(`open ${baudRate}`);
    if (this.openError) throw this.openError;
    if (this.readable) throw new DOMException("The port is already open.", "InvalidStateError");
    this.#renewReadable();
    this.writable = new WritableStream({
      write: (bytes) => {
        if (this.writeError) throw this.writeError;
        this.written.push(...bytes);
      },
    });
  }

  async close(): Promise<void> {
    if (this.readable?.locked || this.writable?.locked) throw new TypeError("A stream is locked.");
    this.readable = null;
    this.writable = null;
    this.log.push("close");
  }

  getInfo() {
    return this.info;
  }

  addEventListener(_: "disconnect", listener: () => void): void {
    this.listeners.add(listener);
  }

  removeEventListener(_: "disconnect", listener: () => void): void {
    this.listeners.delete(listener);
  }

  feed(...bytes: number[]): void {
    this.#controller?.enqueue(Uint8Array.from(bytes));
  }

  /** A framing error, a break, an overrun: the stream breaks, the port has a new one. */
  breakStream(): void {
    const controller = this.#controller;
    this.#renewReadable();
    controller?.error(new DOMException("A framing error was detected.", "FramingError"));
  }

  unplug(): void {
    const controller = this.#controller;
    this.readable = null;
    controller?.error(new DOMException("The device has been lost.", "NetworkError"));
    for (const listener of this.listeners) listener();
  }

  #renewReadable(): void {
    this.readable = new ReadableStream({
      start: (controller) => {
        this.#controller = controller;
      },
    });
  }
}

function ear() {
  const bytes: number[] = [];
  const closed: string[] = [];
  const handlers = {
    onBytes: (heard: Uint8Array) => bytes.push(...heard),
    onClosed: (why: string) => closed.push(why),
  };
  return { bytes, closed, handlers };
}

/** Streams go on in microtasks: a few tasks are enough for everything, without any pause. */
async function soon(holds: () => void): Promise<void> {
  for (let turn = 0; turn < 100; turn++) {
    try {
      holds();
      return;
    } catch {
      await new Promise<void>((resolve) => setImmediate(resolve));
    }
  }
  holds();
}

const serialOf = (...ports: WebSerialPort[]): WebSerial => ({ getPorts: async () => ports });

describe("a port of a browser", () => {
  it("carries bytes both ways", async () => {
    const port = new FakePort();
    const { bytes, handlers } = ear();
    const opened = await webPortSource(port, {}).open(115_200, handlers);
    expect([port.log, opened.bitRate]).toEqual([["open 115200"], 115_200]);
    port.feed(1, 2);
    port.feed(3);
    await soon(() => expect(bytes).toEqual([1, 2, 3]));
    await new Promise<void>((resolve) => opened.write(Uint8Array.of(4, 5), resolve));
    await new Promise<void>((resolve) => opened.write(Uint8Array.of(6), resolve));
    expect(port.written).toEqual([4, 5, 6]);
  });

  it("calls done later than write", async () => {
    const opened = await webPortSource(new FakePort()).open(9600, ear().handlers);
    let isInside = true;
    const done = new Promise<boolean>((resolve) => {
      opened.write(Uint8Array.of(1), () => resolve(isInside));
    });
    isInside = false;
    expect(await done).toBe(false);
  });

  it("goes on after an error of reading: the browser has a new stream then", async () => {
    const port = new FakePort();
    const { bytes, closed, handlers } = ear();
    await webPortSource(port).open(9600, handlers);
    for (let turn = 0; turn < 40; turn++) {
      port.feed(turn);
      await soon(() => expect(bytes).toHaveLength(turn + 1));
      port.breakStream();
    }
    expect(closed).toEqual([]);
  });

  it("gives up a port whose every stream is broken", async () => {
    const port = new FakePort();
    const { closed, handlers } = ear();
    const broken = () =>
      new ReadableStream<Uint8Array>({ start: (controller) => controller.error(new Error("no")) });
    await port.open({ baudRate: 9600 });
    Object.defineProperty(port, "readable", { get: broken });
    const source = webPortSource(Object.assign(port, { open: async () => {} }));
    await source.open(9600, handlers);
    await soon(() => expect(closed).toEqual(["Reading failed: no"]));
  });

  it("is gone when the cable is pulled: told once, and its streams are let go of", async () => {
    const port = new FakePort();
    const { closed, handlers } = ear();
    const opened = await webPortSource(port).open(9600, handlers);
    opened.write(Uint8Array.of(1), () => {});
    port.unplug();
    await soon(() => expect(port.log).toEqual(["open 9600", "close"]));
    expect(closed).toHaveLength(1);
    expect(port.listeners.size).toBe(0);
  });

  it("is gone when it cannot be written to", async () => {
    const port = new FakePort();
    port.writeError = new Error("no room");
    const { closed, handlers } = ear();
    const opened = await webPortSource(port).open(9600, handlers);
    let done = 0;
    opened.write(Uint8Array.of(1), () => done++);
    await soon(() => expect(closed).toEqual(["Writing failed: no room"]));
    expect(done).toBe(0);
  });

  it("is closed although its streams were in use, twice if need be, and is silent then", async () => {
    const port = new FakePort();
    const { bytes, closed, handlers } = ear();
    const opened = await webPortSource(port).open(9600, handlers);
    let done = 0;
    opened.write(Uint8Array.of(1), () => done++);
    port.feed(7);
    await Promise.all([opened.close(), opened.close()]);
    expect(port.log).toEqual(["open 9600", "close"]);
    opened.write(Uint8Array.of(2), () => done++);
    expect([bytes, closed, done, port.listeners.size]).toEqual([[], [], 0, 0]);
  });

  it("can be opened again after that", async () => {
    const port = new FakePort();
    const source = webPortSource(port, { serial: serialOf(port) });
    await (await source.open(9600, ear().handlers)).close();
    const { bytes, handlers } = ear();
    await source.open(115_200, handlers);
    port.feed(1);
    await soon(() => expect(bytes).toEqual([1]));
  });

  it("may be closed from inside onBytes", async () => {
    const port = new FakePort();
    const source = webPortSource(port);
    const bytes: number[] = [];
    const opened = await source.open(9600, {
      onBytes: (heard) => {
        bytes.push(...heard);
        void opened.close();
      },
      onClosed: () => bytes.push(-1),
    });
    port.feed(1);
    port.feed(2);
    await soon(() => expect(port.log.at(-1)).toBe("close"));
    expect(bytes).toEqual([1]);
  });
});

describe("the port after it was plugged in again", () => {
  async function unplugged(info = USB) {
    const port = new FakePort(info);
    const ports: FakePort[] = [port];
    const serial = { getPorts: async () => ports };
    const source = webPortSource(port, { serial });
    const { closed, handlers } = ear();
    await source.open(9600, handlers);
    port.unplug();
    await soon(() => expect(closed).toHaveLength(1));
    ports.length = 0;
    return { source, ports };
  }
  const refusal = (source: ReturnType<typeof webPortSource>) =>
    source.open(9600, ear().handlers).then(
      () => undefined,
      (error: SerialBridgeError) => error,
    );

  it("is another object with the same USB numbers", async () => {
    const { source, ports } = await unplugged();
    ports.push(new FakePort({ usbVendorId: 1, usbProductId: 2 }), new FakePort());
    await source.open(9600, ear().handlers);
    expect(ports.map(({ log }) => log.length)).toEqual([0, 1]);
  });

  it("is not there yet", async () => {
    const { source } = await unplugged();
    expect(await refusal(source)).toMatchObject({
      code: "port-not-found",
      message: "The serial port (USB 1209:00b1) is not there. Plug it in, or choose it again.",
    });
  });

  it("is not guessed among several, nor by numbers that it has not", async () => {
    const several = await unplugged();
    several.ports.push(new FakePort(), new FakePort());
    expect((await refusal(several.source))?.message).toContain("2 ports look like the serial port");
    const nameless = await unplugged({} as typeof USB);
    nameless.ports.push(new FakePort({}));
    expect(await refusal(nameless.source)).toMatchObject({ code: "port-not-found" });
  });

  it("is not one that is open already", async () => {
    const { source, ports } = await unplugged();
    const taken = new FakePort();
    await taken.open({ baudRate: 9600 });
    ports.push(taken);
    expect(await refusal(source)).toMatchObject({ code: "port-not-found" });
  });
});

describe("a port that does not open", () => {
  it.each([
    ["InvalidStateError", "port-busy"],
    ["NetworkError", "port-failed"],
    ["SecurityError", "port-forbidden"],
    ["NotAllowedError", "port-forbidden"],
    ["UnknownError", "port-failed"],
  ])("with %s is %s", async (name, code) => {
    const port = new FakePort();
    port.openError = new DOMException("The browser's reason.", name);
    const error = await webPortSource(port, { label: "port of row 3" })
      .open(9600, ear().handlers)
      .catch((cause: SerialBridgeError) => cause);
    expect(error).toMatchObject({ code, cause: port.openError });
    expect((error as Error).message).toMatch(/^The port of row 3 .*\(The browser's reason\.\)\.$/);
  });
});
