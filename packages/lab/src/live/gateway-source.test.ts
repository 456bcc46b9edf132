import { VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { GatewaySource, RETRY_S, SILENCE_US_MAX } from "./gateway-source.js";
import { LiveFeed } from "./live-feed.js";
import type { LiveSnapshot } from "./snapshot.js";

const S = 1_000_000;

/** A gateway as a page sees it: each request waits for what the test lets happen. */
class FakeGateway {
  readonly requests: {
    url: URL;
    signal: AbortSignal;
    answer: (response: Response) => void;
    fail: (error: Error) => void;
  }[] = [];
  #stream: ReadableStreamDefaultController<Uint8Array> | undefined;

  readonly fetch = (url: string, { signal }: { readonly signal: AbortSignal }) =>
    new Promise<Response>((answer, fail) => {
      signal.addEventListener("abort", () => fail(new Error("aborted")));
      this.requests.push({ url: new URL(url, "http://127.0.0.1/"), signal, answer, fail });
    });

  get last() {
    return this.requests[this.requests.length - 1]!;
  }

  /** Lets the last request listen. */
  accept(): void {
    const stream = new ReadableStream<Uint8Array>({
      start: (controller) => {
        this.#stream = controller;
      },
    });
    this.last.signal.addEventListener("abort", () => this.#stream?.error(new Error("aborted")));
    this.last.answer(new Response(stream));
  }

  say(text: string): void {
    this.#stream?.enqueue(new TextEncoder().encode(text));
  }

  snapshot(event: number, changes: Partial<LiveSnapshot> = {}): void {
    const snapshot = {
      version: 1,
      name: "north orchard",
      startedMs: 0,
      atUs: event * S,
      link: { status: "up", sinceUs: 0 },
      peers: [],
      order: "signal",
      totals: {},
      transfers: [],
      transfersTotal: 0,
      events: [{ number: event, atUs: event, kind: "note", text: "A note.", isTrouble: false }],
      curve: [{ atUs: event * S, sentBytesPerS: 0, receivedBytesPerS: 0 }],
      ...changes,
    };
    this.say(`event: snapshot\ndata: ${JSON.stringify(snapshot)}\n\n`);
  }

  breakOff(): void {
    this.#stream?.close();
  }
}

/** Streams go on in microtasks: some tasks are enough for everything, without any pause. */
async function soon(): Promise<void> {
  for (let turn = 0; turn < 20; turn++) await new Promise<void>((resolve) => setImmediate(resolve));
}

async function setUp() {
  const clock = new VirtualClock();
  const gateway = new FakeGateway();
  const feed = new LiveFeed();
  const source = new GatewaySource(feed, {
    token: "0123abcd",
    order: "signal",
    fetch: gateway.fetch,
    clock,
  });
  const pass = async (us: number) => {
    await clock.run({ untilUs: clock.nowUs() + us });
    await soon();
  };
  await soon();
  return { clock, gateway, feed, source, pass };
}

const query = ({ last }: FakeGateway) => Object.fromEntries(last.url.searchParams);

describe("GatewaySource", () => {
  it("asks with its token, and shows what comes", async () => {
    const { gateway, feed } = await setUp();
    expect(feed.state.value).toEqual({ is: "connecting" });
    expect(gateway.last.url.pathname).toBe("/events");
    expect(query(gateway)).toEqual({ token: "0123abcd", order: "signal" });
    gateway.accept();
    gateway.snapshot(1);
    await soon();
    expect(feed.state.value).toEqual({ is: "live" });
    expect(feed.picture.value?.snapshot.name).toBe("north orchard");
  });

  it("tries again when the connection is lost, later each time, and asks for what is new", async () => {
    const { gateway, feed, pass } = await setUp();
    gateway.accept();
    gateway.snapshot(7);
    await soon();
    gateway.breakOff();
    await soon();
    expect(feed.state.value).toEqual({
      is: "lost",
      why: "The gateway has closed the connection.",
      retryMs: 1000,
    });
    expect(feed.picture.value?.snapshot.atUs).toBe(7 * S);
    const lastS = RETRY_S.at(-1)!;
    for (const [index, waitS] of [...RETRY_S, lastS, lastS].entries()) {
      await pass(waitS * S - 1);
      expect(gateway.requests).toHaveLength(index + 1);
      await pass(1);
      expect(gateway.requests).toHaveLength(index + 2);
      gateway.last.fail(new Error("Failed to fetch"));
      await soon();
    }
    expect(query(gateway)).toMatchObject({ after: "7", since: String(7 * S) });
    await pass(30 * S);
    gateway.accept();
    gateway.snapshot(8);
    await soon();
    expect(feed.state.value.is).toBe("live");
    gateway.breakOff();
    await soon();
    // It worked meanwhile: the waits begin anew.
    const before = gateway.requests.length;
    await pass(S);
    expect(gateway.requests.length).toBe(before + 1);
  });

  it("is tried at once by a person who does not want to wait", async () => {
    const { gateway, source, pass } = await setUp();
    gateway.last.fail(new Error("Failed to fetch"));
    await soon();
    source.tryNow();
    await soon();
    expect(gateway.requests).toHaveLength(2);
    // The attempt that was waiting does not come on top.
    await pass(60 * S);
    expect(gateway.requests.length).toBeLessThanOrEqual(4);
  });

  it("notices that nobody is at the other end any more", async () => {
    const { gateway, feed, pass } = await setUp();
    gateway.accept();
    gateway.snapshot(1);
    await soon();
    await pass(SILENCE_US_MAX - 1);
    gateway.say(":\n\n");
    await soon();
    await pass(SILENCE_US_MAX - 1);
    expect(feed.state.value.is).toBe("live");
    const { signal } = gateway.last;
    await pass(2);
    expect(feed.state.value).toMatchObject({
      is: "lost",
      why: expect.stringContaining("nothing for a while"),
    });
    expect(signal.aborted).toBe(true);
  });

  it("ends with the gateway, and does not try again", async () => {
    const { gateway, feed, pass } = await setUp();
    gateway.accept();
    gateway.snapshot(1);
    gateway.say("event: ended\ndata: {}\n\n");
    gateway.breakOff();
    await soon();
    expect(feed.state.value).toMatchObject({
      is: "ended",
      sentence: expect.stringContaining("has ended. Start it again"),
    });
    await pass(300 * S);
    expect(gateway.requests).toHaveLength(1);
    expect(feed.picture.value).toBeDefined();
  });

  it.each([
    [403, "refused", "The token is wrong."],
    [421, "refused", "A name that it does not know."],
  ] as const)("stops at %d, in the words of the gateway", async (status, is, sentence) => {
    const { gateway, feed, pass } = await setUp();
    gateway.last.answer(new Response(`${sentence}\n`, { status }));
    await soon();
    expect(feed.state.value).toEqual({ is, sentence });
    await pass(300 * S);
    expect(gateway.requests).toHaveLength(1);
  });

  it("goes on trying where too many look already", async () => {
    const { gateway, feed, pass } = await setUp();
    gateway.last.answer(new Response("16 pages look at it.\n", { status: 503 }));
    await soon();
    expect(feed.state.value).toMatchObject({ is: "lost", why: "16 pages look at it." });
    await pass(S);
    expect(gateway.requests).toHaveLength(2);
  });

  it("refuses a gateway of another version, and nonsense", async () => {
    for (const [data, words] of [
      ['{"version":2}', "of another version"],
      ["!", "cannot read"],
    ]) {
      const { gateway, feed } = await setUp();
      gateway.accept();
      gateway.say(`event: snapshot\ndata: ${data}\n\n`);
      await soon();
      expect(feed.state.value).toMatchObject({
        is: "refused",
        sentence: expect.stringContaining(words!),
      });
    }
  });

  it("asks anew for another order, without anything twice", async () => {
    const { gateway, feed, source } = await setUp();
    gateway.accept();
    gateway.snapshot(1);
    await soon();
    source.setOrder("signal");
    source.setOrder("loss");
    await soon();
    expect(gateway.requests).toHaveLength(2);
    expect(gateway.requests[0]?.signal.aborted).toBe(true);
    expect(query(gateway)).toMatchObject({ order: "loss", after: "1" });
    gateway.accept();
    gateway.snapshot(2);
    await soon();
    expect(feed.picture.value?.events.map(({ number }) => number)).toEqual([1, 2]);
  });

  it("is silent once it is closed", async () => {
    const { gateway, feed, source, pass } = await setUp();
    gateway.accept();
    gateway.snapshot(1);
    await soon();
    source.close();
    await pass(300 * S);
    expect([gateway.requests.length, feed.state.value.is]).toEqual([1, "live"]);
  });
});
