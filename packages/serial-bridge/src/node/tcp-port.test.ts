import { once } from "node:events";
import { createServer, type Server, type Socket } from "node:net";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import type { SerialBridgeError } from "../errors.js";
import { tcpPortSource } from "./tcp-port.js";

const host = "127.0.0.1";
let server: Server;
let connections: Socket[];

beforeEach(async () => {
  connections = [];
  server = createServer((stream) => connections.push(stream));
  server.listen(0, host);
  await once(server, "listening");
});

afterEach(() => {
  for (const stream of connections) stream.destroy();
  server.close();
});

function serverPort(): number {
  const address = server.address();
  return typeof address === "object" ? (address?.port ?? 0) : 0;
}

/** Connects; waits for what the handlers get. */
async function open() {
  const received: number[] = [];
  let closed: string | undefined;
  let onChange: () => void = () => undefined;
  const port = await tcpPortSource({ host, port: serverPort() }).open(115_200, {
    onBytes: (bytes) => {
      received.push(...bytes);
      onChange();
    },
    onClosed: (why) => {
      closed = why;
      onChange();
    },
  });
  if (connections.length === 0) await once(server, "connection");
  const until = async (isSo: () => boolean): Promise<void> => {
    while (!isSo()) await new Promise<void>((resolve) => (onChange = resolve));
  };
  return { port, received, until, stream: connections[0] as Socket, closed: () => closed };
}

async function refusal(options: Parameters<typeof tcpPortSource>[0]): Promise<string> {
  const handlers = { onBytes: () => undefined, onClosed: () => undefined };
  const error = await Promise.resolve()
    .then(() => tcpPortSource(options).open(0, handlers))
    .then(
      () => undefined,
      (reason: SerialBridgeError) => reason,
    );
  return `${error?.code}: ${error?.message}`;
}

describe("a stream of bytes over TCP", () => {
  it("carries them both ways, and has no bit rate", async () => {
    const { port, received, until, stream } = await open();
    expect(port.bitRate).toBeUndefined();
    stream.on("data", (bytes: Buffer) => stream.write(bytes.map((byte) => byte + 1)));
    const log: string[] = [];
    const isWritten = new Promise<void>((resolve) =>
      port.write(Uint8Array.of(1, 2, 3), () => {
        log.push("done");
        resolve();
      }),
    );
    log.push("returned");
    await isWritten;
    await until(() => received.length === 3);
    expect(received).toEqual([2, 3, 4]);
    expect(log).toEqual(["returned", "done"]);
    await port.close();
  });

  it("takes bytes no faster than they go out", async () => {
    const { port, stream } = await open();
    stream.pause();
    const big = new Uint8Array(32 << 20);
    let isDone = false;
    const written = new Promise<void>((resolve) =>
      port.write(big, () => {
        isDone = true;
        resolve();
      }),
    );
    let taken = 0;
    stream.on("data", (bytes: Buffer) => {
      if (taken === 0) expect(isDone).toBe(false);
      taken += bytes.length;
    });
    stream.resume();
    await written;
    await port.close();
    if (!stream.closed) await once(stream, "close");
    expect(taken).toBe(big.length);
  });

  it("tells that the other side has gone", async () => {
    const { until, stream, port, closed } = await open();
    stream.end();
    await until(() => closed() !== undefined);
    expect(closed()).toBe("The other side closed the connection.");
    port.write(Uint8Array.of(1), () => expect.fail("done was called"));
    await port.close();
  });

  it("tells what broke it", async () => {
    const { until, stream, closed } = await open();
    stream.resetAndDestroy();
    await until(() => closed() !== undefined);
    expect(closed()).toBe("The connection broke (read ECONNRESET).");
  });

  it("closes after what was written has gone out; nothing is told then", async () => {
    const { port, received, stream, closed } = await open();
    stream.pause();
    stream.write(Uint8Array.of(9));
    const log: string[] = [];
    port.write(new Uint8Array(8 << 20), () => log.push("done"));
    const first = port.close();
    expect(port.close()).toBe(first);
    let heard = 0;
    stream.on("data", (bytes: Buffer) => {
      heard += bytes.length;
    });
    stream.resume();
    await first;
    if (!stream.closed) await once(stream, "close");
    expect(heard).toBe(8 << 20);
    expect(received).toEqual([]);
    expect(log).toEqual([]);
    expect(closed()).toBeUndefined();
  });
});

describe("an address where no stream is", () => {
  it("refuses", async () => {
    const port = serverPort();
    server.close();
    await once(server, "close");
    expect(await refusal({ host, port })).toBe(
      `port-not-found: No connection to ${host}:${port}: nothing listens there. Start the server of the port first.`,
    );
  });

  it("has a name that nobody knows", async () => {
    // RFC 2606 keeps the domain "invalid" for this.
    expect(await refusal({ host: "orchard.invalid", port: 7000 })).toBe(
      "port-not-found: Nobody knows a computer named orchard.invalid. Check the name, or give its address.",
    );
  });

  it("is refused before it is tried when it cannot be one", async () => {
    for (const [name, options] of [
      ["host", { host: "", port: 1 }],
      ["port", { host, port: 0 }],
      ["port", { host, port: 65536 }],
      ["connectTimeoutMs", { host, port: 1, connectTimeoutMs: Number.NaN }],
    ] as const) {
      expect(await refusal(options)).toMatch(new RegExp(`^invalid-option: ${name} `));
    }
  });

  it("is named in the usual way", () => {
    expect(tcpPortSource({ host: "::1", port: 7000 }).label).toBe("[::1]:7000");
    expect(tcpPortSource({ host: "barn", port: 7000 }).label).toBe("barn:7000");
  });
});
