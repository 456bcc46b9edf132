import { once } from "node:events";
import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { type IncomingMessage, request } from "node:http";
import { connect } from "node:net";
import { networkInterfaces, tmpdir } from "node:os";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { Endpoint } from "@fardel/core";
import { lossyPair, VirtualClock } from "@fardel/lossy-link";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { EventStreamReader, type StreamEvent } from "../live/event-stream.js";
import { LiveWatch } from "../live/live-watch.js";
import { readSnapshot } from "../live/read-snapshot.js";
import { LabServerError } from "./lab-server-error.js";
import { READERS_MAX } from "./readers.js";
import { type LabServer, type LabServerOptions, serveLab } from "./serve-lab.js";

const PAGE = "<html><head></head><script>1</script></html>";

let folder = "";
let pageFile: URL;
beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-lab-"));
  const file = join(folder, "index.html");
  await writeFile(file, PAGE);
  pageFile = pathToFileURL(file);
});
afterAll(() => rm(folder, { recursive: true }));

const cleanUps: (() => unknown)[] = [];
afterEach(async () => {
  for (const cleanUp of cleanUps.splice(0).reverse()) await cleanUp();
});

async function serve(options: Partial<LabServerOptions> = {}) {
  const clock = new VirtualClock();
  const { a } = lossyPair({ clock });
  const watch = new LiveWatch({ name: "north orchard", clock, nowMs: () => 0 });
  const endpoint = await Endpoint.open({ link: watch.link(a), clock });
  watch.attach(endpoint);
  const server = await serveLab({ watch, pageFile, ...options });
  cleanUps.push(
    () => endpoint.close(),
    () => watch.close(),
    () => server.close(),
  );
  return { clock, watch, server, look: () => clock.run({ untilUs: clock.nowUs() + 1_000_000 }) };
}

interface Asked {
  readonly path?: string;
  readonly method?: string;
  readonly headers?: Readonly<Record<string, string>>;
}

/** A request as a browser would not make it: with any method and headers. */
async function ask(server: LabServer, { path, method = "GET", headers = {} }: Asked = {}) {
  const url = new URL(path ?? server.url, server.url);
  const asked = request(url, { method, headers, agent: false });
  asked.end();
  const [response] = (await once(asked, "response")) as [IncomingMessage];
  response.setEncoding("utf8");
  let text = "";
  for await (const part of response) text += part;
  return { status: response.statusCode, headers: response.headers, text };
}

/** A page that listens, and the events that have come to it. */
class Listener {
  readonly #reader: ReadableStreamDefaultReader<Uint8Array>;
  readonly #events = new EventStreamReader();
  readonly #unread: StreamEvent[] = [];
  readonly #abort: AbortController;

  static async open(server: LabServer, query = ""): Promise<Listener> {
    const { origin, searchParams } = new URL(server.url);
    const abort = new AbortController();
    const url = `${origin}/events?token=${searchParams.get("token")}${query}`;
    const response = await fetch(url, { signal: abort.signal });
    expect(response.status).toBe(200);
    expect(response.headers.get("content-type")).toContain("text/event-stream");
    const listener = new Listener(response.body!.getReader(), abort);
    cleanUps.push(() => listener.leave());
    return listener;
  }

  private constructor(reader: ReadableStreamDefaultReader<Uint8Array>, abort: AbortController) {
    this.#reader = reader;
    this.#abort = abort;
  }

  /** The next event; `undefined`: the connection is closed. */
  async hear(): Promise<StreamEvent | undefined> {
    for (;;) {
      const event = this.#unread.shift();
      if (event) return event;
      const { value, done } = await this.#reader.read();
      if (done) return undefined;
      this.#unread.push(...this.#events.read(new TextDecoder().decode(value)));
    }
  }

  async snapshot() {
    const event = await this.hear();
    expect(event?.name).toBe("snapshot");
    const snapshot = readSnapshot(event?.data ?? "");
    if (typeof snapshot === "string") throw new Error(snapshot);
    return snapshot;
  }

  leave(): void {
    this.#abort.abort();
  }
}

describe("serveLab", () => {
  it("serves the page to whoever has its address, and lets nobody keep or frame it", async () => {
    const { server } = await serve();
    expect(server.url).toMatch(/^http:\/\/127\.0\.0\.1:\d+\/\?token=[0-9a-f]{32}$/);
    const { status, headers, text } = await ask(server);
    expect(status).toBe(200);
    expect(text).toContain('<meta name="fardel-live"');
    expect(headers).toMatchObject({
      "cache-control": "no-store",
      "x-content-type-options": "nosniff",
      "referrer-policy": "no-referrer",
      "x-frame-options": "DENY",
      "content-type": "text/html; charset=utf-8",
    });
    expect(headers["content-security-policy"]).toContain("frame-ancestors 'none'");
    expect(headers["access-control-allow-origin"]).toBeUndefined();
  });

  it("has another token at each start", async () => {
    const one = await serve();
    const other = await serve();
    const token = (server: LabServer) => new URL(server.url).searchParams.get("token");
    expect(token(one.server)).not.toBe(token(other.server));
  });

  it("refuses a wrong token, and none, for everything that it has", async () => {
    const { server } = await serve();
    const token = new URL(server.url).searchParams.get("token") ?? "";
    for (const wrong of ["", "0", token.slice(1), `${token}0`, token.toUpperCase(), "é"]) {
      if (wrong === token) continue;
      for (const path of ["/", "/events", "/other"]) {
        const { status, text } = await ask(server, {
          path: `${path}?token=${encodeURIComponent(wrong)}`,
        });
        expect([status, text]).toEqual([403, expect.stringContaining("missing or wrong")]);
      }
    }
    expect((await ask(server, { path: "/" })).status).toBe(403);
    expect(server.readers).toBe(0);
  });

  it("takes a token from nowhere but the address", async () => {
    const { server } = await serve();
    const token = new URL(server.url).searchParams.get("token") ?? "";
    const headers = { cookie: `token=${token}`, authorization: `Bearer ${token}` };
    expect((await ask(server, { path: "/", headers })).status).toBe(403);
  });

  it("answers GET only", async () => {
    const { server } = await serve();
    for (const method of ["POST", "PUT", "DELETE", "OPTIONS", "HEAD", "PATCH"]) {
      const { status, headers } = await ask(server, { method });
      expect([method, status, headers.allow]).toEqual([method, 405, "GET"]);
    }
  });

  it("refuses names that others have made to lead here", async () => {
    const { server } = await serve();
    for (const host of [`evil.example:${server.port}`, "127.0.0.1:1", "127.0.0.1", "a b"]) {
      const { status } = await ask(server, { headers: { host } });
      expect([host, status]).toEqual([host, 421]);
    }
    const { status } = await ask(server, { headers: { host: `localhost:${server.port}` } });
    expect(status).toBe(200);
  });

  it("refuses other pages, even with the token", async () => {
    const { server } = await serve();
    for (const origin of ["http://evil.example", "null", `https://127.0.0.1:${server.port}`]) {
      expect((await ask(server, { headers: { origin } })).status).toBe(403);
    }
    const origin = `http://127.0.0.1:${server.port}`;
    expect((await ask(server, { headers: { origin } })).status).toBe(200);
  });

  it("has nothing else, and knows it", async () => {
    const { server } = await serve();
    const { search } = new URL(server.url);
    expect((await ask(server, { path: `/../etc/passwd${search}` })).status).toBe(404);
    expect((await ask(server, { path: `/events${search}&order=beauty` })).status).toBe(400);
    const icon = await ask(server, { path: "/favicon.ico" });
    expect([icon.status, icon.text]).toEqual([204, ""]);
  });

  it("is not brought down by what is no HTTP", async () => {
    const { server } = await serve();
    for (const bytes of [
      "\u0000\u0001\u0002\r\n\r\n",
      `GET http://x${"y".repeat(20_000)}\r\n\r\n`,
    ]) {
      const line = connect(server.port, server.host);
      line.resume();
      line.on("error", () => {});
      line.write(bytes);
      await once(line, "close");
    }
    const line = connect(server.port, server.host);
    line.write(`GET //evil.example/ HTTP/1.1\r\nHost: 127.0.0.1:${server.port}\r\n\r\n`);
    const [answer] = await once(line, "data");
    expect(String(answer)).toMatch(/^HTTP\/1.1 404 /);
    line.destroy();
    expect((await ask(server)).status).toBe(200);
  });

  it.each([
    [{ port: 70_000 }, "invalid-option", "Give a whole number"],
    [{ port: 1.5 }, "invalid-option", "Give a whole number"],
    [{ host: "192.0.2.1" }, "no-such-address", "Choose one of its own"],
    [{ pageFile: new URL("file:///no/such/page.html") }, "page-missing", "Build it"],
  ] as const)("refuses %j", async (options, code, words) => {
    const error = await serve(options).catch((one: unknown) => one);
    expect(error).toBeInstanceOf(LabServerError);
    expect(error).toMatchObject({ code, message: expect.stringContaining(words) });
  });

  it("says that a port is taken", async () => {
    const { server } = await serve();
    const error = await serve({ port: server.port }).catch((one: unknown) => one);
    expect(error).toMatchObject({
      code: "port-taken",
      message: expect.stringContaining("another program has it"),
    });
  });

  it("listens at ::1 where that is asked for, on a computer that has it", async () => {
    const all = Object.values(networkInterfaces()).flat();
    if (!all.some((one) => one?.address === "::1")) return;
    const { server } = await serve({ host: "::1" });
    expect(server.url).toMatch(/^http:\/\/\[::1\]:\d+\/\?token=/);
    expect((await ask(server)).status).toBe(200);
  });
});

describe("the events of a page", () => {
  it("begin with all, and go on with what is new", async () => {
    const { server, watch, look } = await serve();
    watch.note("One.");
    const listener = await Listener.open(server);
    const first = await listener.snapshot();
    expect(first.events.map(({ text }) => text)).toEqual(["One."]);
    expect(first.curve).toHaveLength(1);
    watch.note("Two.");
    await look();
    const second = await listener.snapshot();
    expect(second.events.map(({ text }) => text)).toEqual(["Two."]);
    expect(second.curve.map(({ atUs }) => atUs)).toEqual([1_000_000]);
    expect(server.readers).toBe(1);
  });

  it("go on where a page was", async () => {
    const { server, watch, look } = await serve();
    watch.note("One.");
    watch.note("Two.");
    await look();
    const listener = await Listener.open(server, "&order=loss&after=1&since=0");
    const { events, curve, order } = await listener.snapshot();
    expect([events.map(({ text }) => text), curve.length, order]).toEqual([["Two."], 1, "loss"]);
  });

  it("are not for more pages than there is room for; one that leaves makes room", async () => {
    const { server, look } = await serve();
    const listeners: Listener[] = [];
    for (let count = 0; count < READERS_MAX; count++) {
      const listener = await Listener.open(server);
      await listener.snapshot();
      listeners.push(listener);
    }
    const path = server.url.replace("/?", "/events?");
    const refused = await ask(server, { path });
    expect([refused.status, refused.text]).toEqual([503, expect.stringContaining("Close one")]);
    listeners[0]?.leave();
    // The server notices when it writes, or when the connection is closed.
    while (server.readers === READERS_MAX) {
      await look();
      await new Promise<void>((resolve) => setImmediate(resolve));
    }
    await (await Listener.open(server)).snapshot();
    expect(server.readers).toBe(READERS_MAX);
  });

  it("are left out where a page does not take them, and the next one has all of it", async () => {
    const { server, watch, look } = await serve();
    const { search } = new URL(server.url);
    const line = connect(server.port, server.host);
    cleanUps.push(() => line.destroy());
    line.write(`GET /events${search} HTTP/1.1\r\nHost: 127.0.0.1:${server.port}\r\n\r\n`);
    await once(line, "readable");
    line.pause();
    let snapshots = 0;
    const { snapshot } = watch;
    watch.snapshot = (...args) => {
      snapshots++;
      return snapshot.apply(watch, args);
    };
    // Far more than the system holds for a connection: 200 events with long sentences each time.
    const looks = 600;
    for (let count = 0; count < looks; count++) {
      for (let note = 0; note < 200; note++) watch.note(`Note ${count}. ${"x".repeat(500)}`);
      await look();
      if (count % 20 === 0) await new Promise<void>((resolve) => setImmediate(resolve));
    }
    expect(snapshots).toBeLessThan(looks / 2);
    watch.note("The last one.");
    let heard = "";
    line.on("data", (bytes: Buffer) => {
      heard = (heard + bytes.toString()).slice(-1_000_000);
    });
    line.resume();
    while (!heard.includes("The last one.")) {
      await look();
      await new Promise<void>((resolve) => setImmediate(resolve));
    }
  });

  it("end with a word when the server is closed, which may be done twice", async () => {
    const { server } = await serve();
    const listener = await Listener.open(server);
    await listener.snapshot();
    const closing = server.close();
    expect(server.close()).toBe(closing);
    expect(await listener.hear()).toEqual({ name: "ended", data: "{}" });
    expect(await listener.hear()).toBeUndefined();
    await closing;
    await expect(ask(server)).rejects.toThrow("ECONNREFUSED");
  });
});
