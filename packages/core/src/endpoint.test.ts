import { lossyPair, Medium, type PairOptions, presets, VirtualClock } from "@fardel/lossy-link";
import { afterEach, describe, expect, it, vi } from "vitest";
import type { Clock } from "./clock.js";
import { Endpoint, type EndpointOptions } from "./endpoint.js";
import type { Message, Request } from "./incoming.js";
import type { Link } from "./link.js";
import { FardelError } from "./protocol/errors.js";
import { seededRandom } from "./protocol/wired-pair.js";
import type { RemotePeer } from "./remote-peer.js";

const MS = 1000;
const S = 1_000_000;
const command = Uint8Array.from({ length: 32 }, (_, at) => at);

function blob(length: number, salt = 0): Uint8Array {
  return Uint8Array.from({ length }, (_, at) => (at * 31 + salt + (at >> 8)) & 0xff);
}

const text = (bytes: Uint8Array) => new TextDecoder().decode(bytes);
const bytesOf = (word: string) => new TextEncoder().encode(word);

interface Stage {
  readonly clock: VirtualClock;
  readonly pair: ReturnType<typeof lossyPair>;
  readonly gateway: Endpoint;
  readonly station: Endpoint;
  /** The station as the gateway sees it, and the other way round. */
  readonly toStation: RemotePeer;
  readonly toGateway: RemotePeer;
  wait(us: number): Promise<void>;
}

const open: Endpoint[] = [];

afterEach(async () => {
  for (const endpoint of open.splice(0)) await endpoint.close();
});

async function start(options: EndpointOptions): Promise<Endpoint> {
  const endpoint = await Endpoint.open(options);
  open.push(endpoint);
  return endpoint;
}

async function stage(
  air: Partial<PairOptions> = {},
  gatewayOptions: Partial<EndpointOptions> = {},
  stationOptions: Partial<EndpointOptions> = {},
): Promise<Stage> {
  const clock = new VirtualClock();
  const pair = lossyPair({ ...presets.reference(), ...air, clock });
  const gateway = await start({ link: pair.a, clock, random: seededRandom(1), ...gatewayOptions });
  const station = await start({ link: pair.b, clock, random: seededRandom(2), ...stationOptions });
  return {
    clock,
    pair,
    gateway,
    station,
    toStation: gateway.peer(pair.b.localAddress),
    toGateway: station.peer(pair.a.localAddress),
    wait: async (us) => void (await clock.run({ untilUs: clock.nowUs() + us })),
  };
}

/** Run the clock until a promise settles, and give what it gave. */
async function settle<T>(clock: VirtualClock, promise: Promise<T>, untilUs = 700 * S): Promise<T> {
  let isSettled = false;
  const mark = () => {
    isSettled = true;
    clock.wakeWaiters();
  };
  promise.then(mark, mark);
  await clock.run({ until: () => isSettled, untilUs });
  expect(isSettled).toBe(true);
  return promise;
}

/** The error that a promise ends with. */
async function failure(clock: VirtualClock, promise: Promise<unknown>): Promise<FardelError> {
  const error = await settle(clock, promise).then(
    () => expect.fail("it did not fail"),
    (thrown: unknown) => thrown,
  );
  expect(error).toBeInstanceOf(FardelError);
  return error as FardelError;
}

const words = ({ code, delivery }: FardelError) => [code, delivery];

/** Give every request the same answer. */
async function answer(endpoint: Endpoint, how: (request: Request) => unknown): Promise<void> {
  for await (const request of endpoint.requests()) {
    // What becomes of the answer, when the test is over, is not looked at.
    void Promise.resolve(how(request)).catch(() => undefined);
  }
}

describe("a message", () => {
  it("is delivered with a receipt, and counted on both sides", async () => {
    const { clock, gateway, station, toStation, toGateway } = await stage();
    const messages = station.messages();
    const receipt = await settle(clock, toStation.send(command));
    expect(receipt).toMatchObject({
      outcome: "delivered",
      bytes: 32,
      fragmentsSent: 1,
      fragmentsRepeated: 0,
    });
    expect(receipt.elapsedUs).toBeGreaterThan(0);
    const { value } = await messages.next();
    expect(value).toMatchObject({ bytes: command, way: "ordered", channel: 1 });
    expect((value as Message).peer).toBe(toGateway);
    expect(toStation.report()).toMatchObject({
      phase: "open",
      isVerified: true,
      messagesSent: 1,
      queuedMessages: 0,
    });
    expect(toGateway.report()).toMatchObject({ messagesReceived: 1, heldBytes: 32 + 64 });
    expect(gateway.reports()).toHaveLength(1);
    expect(station.heldBytes).toBe(96);
  });

  it("travels in the way that was asked for", async () => {
    const { clock, station, toStation } = await stage();
    const seen: string[] = [];
    station.onMessage(({ way, channel, bytes }) => seen.push(`${way} ${channel} ${text(bytes)}`));
    const sent = [
      toStation.send(bytesOf("a"), { way: "unordered", channel: 3 }),
      toStation.send(bytesOf("b"), { way: "latest", priority: "urgent" }),
      toStation.send(bytesOf("c"), { way: "unacknowledged", channel: 0 }),
      toStation.send(bytesOf("d"), { priority: "bulk" }),
    ];
    const outcomes = (await settle(clock, Promise.all(sent))).map(({ outcome }) => outcome);
    expect(outcomes).toEqual(["delivered", "delivered", "sent", "delivered"]);
    expect(seen.sort()).toEqual([
      "latest 2 b",
      "ordered 0 d",
      "unacknowledged 0 c",
      "unordered 3 a",
    ]);
  });

  it("is copied when it is sent", async () => {
    const { clock, station, toStation } = await stage();
    const seen: Uint8Array[] = [];
    station.onMessage(({ bytes }) => seen.push(bytes));
    const bytes = blob(1000);
    const sent = toStation.send(bytes);
    bytes.fill(0);
    await settle(clock, sent);
    expect(seen).toEqual([blob(1000)]);
  });

  it("that a newer value replaces is no error", async () => {
    const { clock, station, toStation } = await stage({ loss: 0.3 });
    const seen: string[] = [];
    station.onMessage(({ bytes }) => seen.push(text(bytes)));
    const sent = ["1", "2", "3"].map((value) => toStation.send(bytesOf(value), { way: "latest" }));
    const receipts = await settle(clock, Promise.all(sent));
    expect(receipts.map(({ outcome }) => outcome)).toEqual(["replaced", "replaced", "delivered"]);
    expect(seen.at(-1)).toBe("3");
  });

  it("tells its progress, never backwards, to its very end", async () => {
    const { clock, toStation } = await stage({ loss: 0.2 });
    const steps: number[] = [];
    const onProgress = vi.fn(({ acknowledgedBytes, totalBytes }) => {
      expect(totalBytes).toBe(20_000);
      steps.push(acknowledgedBytes);
    });
    await settle(clock, toStation.send(blob(20_000), { onProgress }));
    expect(steps.length).toBeGreaterThan(2);
    expect(steps).toEqual([...steps].sort((a, b) => a - b));
    expect(steps.at(-1)).toBeLessThanOrEqual(20_000);
    const calls = onProgress.mock.calls.length;
    await clock.run({ untilUs: clock.nowUs() + S });
    expect(onProgress).toHaveBeenCalledTimes(calls);
  });

  it("passes its deadline", async () => {
    const { clock, toStation } = await stage({ loss: 1 });
    const startUs = clock.nowUs();
    expect(words(await failure(clock, toStation.send(command, { deadlineMs: 250 })))).toEqual([
      "deadline-passed",
      "unknown",
    ]);
    expect(clock.nowUs()).toBe(startUs + 250 * MS);
    expect(words(await failure(clock, toStation.send(blob(9000), { deadlineMs: 250 })))).toEqual([
      "deadline-passed",
      "none",
    ]);
  });

  it("is aborted before, with the reason as cause", async () => {
    const { clock, toStation, pair } = await stage();
    const error = await failure(
      clock,
      toStation.send(command, { signal: AbortSignal.abort("too late") }),
    );
    expect(words(error)).toEqual(["aborted", "none"]);
    expect(error.cause).toBe("too late");
    await clock.run({ untilUs: S });
    expect(pair.medium.statistics.offered.datagrams).toBe(0);
  });

  it("is aborted under way, on both sides", async () => {
    const { clock, station, toStation, toGateway, wait } = await stage();
    const seen: Uint8Array[] = [];
    station.onMessage(({ bytes }) => seen.push(bytes));
    const controller = new AbortController();
    const sent = toStation.send(blob(100_000), { signal: controller.signal });
    sent.catch(() => undefined);
    await wait(200 * MS);
    controller.abort();
    const error = await failure(clock, sent);
    expect(words(error)).toEqual(["aborted", "none"]);
    expect(error.cause).toBe(controller.signal.reason);
    await settle(clock, toStation.send(command));
    expect(seen).toEqual([command]);
    expect(toGateway.report()?.heldBytes).toBe(0);
  });

  it("cannot be aborted any more when it has been delivered", async () => {
    const { clock, toStation } = await stage();
    const controller = new AbortController();
    const receipt = await settle(clock, toStation.send(command, { signal: controller.signal }));
    controller.abort();
    await clock.run({ untilUs: clock.nowUs() + S });
    expect(receipt.outcome).toBe("delivered");
  });

  it("is refused by the peer, with a sentence that tells why", async () => {
    const { clock, toStation } = await stage(
      {},
      {},
      { messageBytesMax: 5000, accept: ({ channel }) => (channel === 5 ? "refuse" : "whole") },
    );
    const large = await failure(clock, toStation.send(blob(5001)));
    expect(large).toMatchObject({ code: "refused-by-peer", delivery: "none" });
    expect(large.message).toContain("larger");
    const unwanted = await failure(clock, toStation.send(command, { channel: 5 }));
    expect(unwanted).toMatchObject({ code: "refused-by-peer" });
    expect(unwanted.message).toContain("accept");
    expect((await settle(clock, toStation.send(command))).outcome).toBe("delivered");
  });

  it("finds the peer unreachable, closed, or this side closed", async () => {
    const { clock, pair, gateway, station, toStation, toGateway, wait } = await stage(
      {},
      { unreachableUs: 2 * S },
    );
    await settle(clock, toStation.send(command));
    pair.b.setImpairments({ loss: 1 }, "incoming");
    expect(words(await failure(clock, toStation.send(command)))).toEqual([
      "peer-unreachable",
      "unknown",
    ]);
    pair.b.setImpairments({});
    await settle(clock, toStation.send(command));
    await wait(2 * S);
    const blobs = toStation.send(blob(100_000));
    blobs.catch(() => undefined);
    await wait(100 * MS);
    toGateway.close();
    expect(words(await failure(clock, blobs))).toEqual(["peer-closed", "none"]);
    const last = toStation.send(blob(100_000));
    last.catch(() => undefined);
    await wait(100 * MS);
    await gateway.close();
    expect(words(await failure(clock, last))).toEqual(["endpoint-closed", "none"]);
    expect(words(await failure(clock, toStation.send(command)))).toEqual([
      "endpoint-closed",
      "none",
    ]);
    await station.close();
  });

  it("ends with the session that is closed here; the next opens a new one", async () => {
    const { clock, toStation, wait } = await stage();
    await settle(clock, toStation.send(command));
    await wait(2 * S);
    const sent = toStation.send(blob(100_000));
    sent.catch(() => undefined);
    await wait(50 * MS);
    toStation.close();
    expect(words(await failure(clock, sent))).toEqual(["endpoint-closed", "none"]);
    expect((await settle(clock, toStation.send(command))).outcome).toBe("delivered");
    expect(toStation.report()?.sessions).toBe(2);
  });

  it("is reported, or sent again if that was asked for, when the peer restarts", async () => {
    const { clock, pair, gateway, toStation, station, wait } = await stage();
    await settle(clock, toStation.send(command));
    await wait(2 * S);
    await station.close();
    const report = toStation.send(command);
    const resend = toStation.send(blob(40), { afterRestart: "resend" });
    for (const each of [report, resend]) each.catch(() => undefined);
    await wait(5 * MS);
    const link = pair.medium.attach({ address: pair.b.localAddress });
    const again = await start({ link, clock, random: seededRandom(9) });
    const seen: Uint8Array[] = [];
    again.onMessage(({ bytes }) => seen.push(bytes));
    expect(words(await failure(clock, report))).toEqual(["peer-restarted", "unknown"]);
    expect((await settle(clock, resend)).outcome).toBe("delivered");
    expect(seen).toEqual([blob(40)]);
    await gateway.close();
  });
});

describe("limits", () => {
  it("queue-full: by messages and by bytes; room comes back", async () => {
    const { clock, toStation } = await stage(
      { loss: 1 },
      { sendQueueMessagesMax: 3, sendQueueBytesMax: 5000 },
    );
    const sent = [1, 2, 3].map((size) => toStation.send(blob(size), { deadlineMs: 1000 }));
    for (const each of sent) each.catch(() => undefined);
    expect(words(await failure(clock, toStation.send(blob(1))))).toEqual(["queue-full", "none"]);
    await failure(clock, sent[0] as Promise<unknown>);
    const large = toStation.send(blob(3000), { deadlineMs: 1000 });
    large.catch(() => undefined);
    expect(words(await failure(clock, toStation.send(blob(2001))))).toEqual(["queue-full", "none"]);
    await failure(clock, large);
  });

  it("message-too-large: for the queue, and for 128 fragments of an unacknowledged one", async () => {
    const { clock, toStation } = await stage({}, { sendQueueBytesMax: 5000 });
    const error = await failure(clock, toStation.send(blob(5001)));
    expect(words(error)).toEqual(["message-too-large", "none"]);
    expect(error.message).toContain("5001");
    const loose = await failure(
      clock,
      (await stage()).toStation.send(blob(40_000), { way: "unacknowledged" }),
    );
    expect(loose.code).toBe("message-too-large");
  });

  it("invalid-option: names what is wrong", async () => {
    const { clock, gateway, toStation, pair } = await stage();
    const cases: [() => Promise<unknown>, string][] = [
      [() => toStation.send("frost" as never), "bytes"],
      [() => toStation.send(command, { way: "fast" as never }), "way"],
      [() => toStation.send(command, { priority: "high" as never }), "priority"],
      [() => toStation.send(command, { channel: 9 }), "channel"],
      [() => toStation.send(command, { deadlineMs: 0 }), "deadlineMs"],
      [() => toStation.request(command, { deadlineMs: -1 }), "deadlineMs"],
      [() => toStation.request(command, { priority: "high" as never }), "priority"],
      [() => Endpoint.open({ link: pair.a, window: 0 }), "window"],
      [() => Endpoint.open({ link: { mtuBytes: 19 } as never }), "link"],
      [() => Endpoint.open({} as never), "link"],
    ];
    for (const [run, name] of cases) {
      const error = await failure(clock, run());
      expect(error.code).toBe("invalid-option");
      expect(error.message).toContain(name);
    }
    for (const address of [new Uint8Array(0), "02:00" as never])
      expect(() => gateway.peer(address)).toThrow(/address/);
  });

  it("link-failed: with the link's own error as cause", async () => {
    const cause = new Error("No such device. Plug the bridge in.");
    const link = {
      mtuBytes: 250,
      outstandingMax: 2,
      open: () => Promise.reject(cause),
      send: () => {},
      close: () => {},
    };
    const error = await Endpoint.open({ link }).catch((thrown: unknown) => thrown);
    expect(error).toMatchObject({ code: "link-failed", cause });
    expect((error as Error).message).toContain("Plug the bridge in");
  });

  it("holds no more than its budget for a reader who does not read, and loses nothing", async () => {
    const { clock, station, toStation, toGateway, wait } = await stage(
      {},
      {},
      { peerBytesMax: 8192, messageBytesMax: 4096 },
    );
    const messages = station.messages();
    const sent = Promise.all(Array.from({ length: 20 }, (_, at) => toStation.send(blob(2000, at))));
    await wait(20 * S);
    const held = toGateway.report()?.heldBytes ?? 0;
    expect(held).toBeGreaterThan(2000);
    expect(held).toBeLessThanOrEqual(8192);
    const seen: Uint8Array[] = [];
    void (async () => {
      for await (const { bytes } of messages) seen.push(bytes);
    })();
    await settle(clock, sent);
    await wait(S);
    expect(seen).toEqual(Array.from({ length: 20 }, (_, at) => blob(2000, at)));
    expect(station.heldBytes).toBe(0);
  });
});

describe("requests", () => {
  it("are answered by the peer's application", async () => {
    const { clock, station, toStation } = await stage({ loss: 0.2 });
    void answer(station, (request) => request.reply(bytesOf(`${text(request.bytes)} -2.5`)));
    const replies = ["row 1", "row 2", "row 3"].map((row) => toStation.request(bytesOf(row)));
    replies.push(toStation.request(bytesOf("row 4"), { priority: "urgent" }));
    const seen = (await settle(clock, Promise.all(replies))).map(text);
    expect(seen).toEqual(["row 1 -2.5", "row 2 -2.5", "row 3 -2.5", "row 4 -2.5"]);
  });

  it("may be empty, and answered with much", async () => {
    const { clock, station, toStation } = await stage();
    void answer(station, (request) => request.reply(blob(9000)));
    expect(await settle(clock, toStation.request(new Uint8Array(0)))).toEqual(blob(9000));
  });

  it("fail with the text of the peer's application", async () => {
    const { clock, station, toStation } = await stage();
    void answer(station, (request) => request.fail("fan 3 is blocked, größer"));
    const error = await failure(clock, toStation.request(command));
    expect(words(error)).toEqual(["request-failed", "unknown"]);
    expect(error.message).toContain("fan 3 is blocked, größer");
  });

  it("are not answered in time", async () => {
    const { clock, station, toStation } = await stage();
    const asked: Request[] = [];
    void answer(station, (request) => asked.push(request));
    const startUs = clock.nowUs();
    expect(words(await failure(clock, toStation.request(command, { deadlineMs: 700 })))).toEqual([
      "not-answered",
      "unknown",
    ]);
    expect(clock.nowUs()).toBe(startUs + 700 * MS);
    // A reply that comes too late goes to nobody.
    const late = await settle(clock, (asked[0] as Request).reply(command));
    expect(late.outcome).toBe("delivered");
  });

  it("that never arrived say so", async () => {
    const { clock, toStation } = await stage({ loss: 1 });
    const error = await failure(clock, toStation.request(blob(5000), { deadlineMs: 500 }));
    expect(["deadline-passed", "not-answered"]).toContain(error.code);
    expect(clock.nowUs()).toBe(500 * MS);
  });

  it("are aborted before and during", async () => {
    const { clock, station, toStation, wait } = await stage();
    void answer(station, () => undefined);
    const before = await failure(
      clock,
      toStation.request(command, { signal: AbortSignal.abort("no") }),
    );
    expect([...words(before), before.cause]).toEqual(["aborted", "none", "no"]);
    const controller = new AbortController();
    const asked = toStation.request(command, { signal: controller.signal });
    asked.catch(() => undefined);
    await wait(100 * MS);
    controller.abort("enough");
    const during = await failure(clock, asked);
    expect([...words(during), during.cause]).toEqual(["aborted", "unknown", "enough"]);
  });

  it("end with the session; a reply in another one is refused to its application", async () => {
    const { clock, station, toStation, wait } = await stage();
    const asked: Request[] = [];
    void answer(station, (request) => asked.push(request));
    const first = toStation.request(command);
    first.catch(() => undefined);
    await wait(2 * S);
    toStation.close();
    expect(words(await failure(clock, first))).toEqual(["endpoint-closed", "unknown"]);
    await wait(S);
    const late = (asked[0] as Request).reply(command);
    expect(words(await failure(clock, late))).toEqual(["peer-restarted", "none"]);
  });

  it("whose peer closes the session after it was delivered are reported", async () => {
    const { clock, station, toStation, toGateway, wait } = await stage();
    void answer(station, () => undefined);
    const asked = toStation.request(command);
    asked.catch(() => undefined);
    await wait(2 * S);
    toGateway.close();
    expect(words(await failure(clock, asked))).toEqual(["peer-closed", "unknown"]);
  });

  it("that cannot have arrived when the peer restarts are put to it again", async () => {
    const { clock, pair, station, toStation, wait } = await stage();
    await settle(clock, toStation.send(command));
    await wait(2 * S);
    const asked = toStation.request(blob(60_000));
    asked.catch(() => undefined);
    await wait(50 * MS);
    await station.close();
    const link = pair.medium.attach({ address: pair.b.localAddress });
    const again = await start({ link, clock, random: seededRandom(9) });
    void answer(again, ({ bytes, reply }) => reply(bytes.subarray(0, 9)));
    expect(await settle(clock, asked)).toEqual(blob(9));
  });

  it("with a head that is none are counted, not thrown", async () => {
    const { clock, station, toStation, toGateway } = await stage();
    const exchange = toStation.request(command, { deadlineMs: 100 });
    await failure(clock, exchange);
    expect(toGateway.report()?.malformed).toBe(0);
    expect(station.counts.unreadableDatagrams).toBe(0);
  });
});

describe("streams", () => {
  const streaming = { accept: () => "stream" as const };

  it("hand over while it arrives what is larger than may be held", async () => {
    const { clock, station, toStation } = await stage(
      { loss: 0.1 },
      {},
      { ...streaming, peerBytesMax: 20_000, messageBytesMax: 1000, streamBytesMax: 4096 },
    );
    const parts: Uint8Array[] = [];
    void (async () => {
      for await (const stream of station.streams()) {
        expect(stream).toMatchObject({ totalBytes: 60_000, way: "ordered", channel: 1 });
        for await (const bytes of stream) {
          expect(station.heldBytes).toBeLessThanOrEqual(20_000);
          parts.push(bytes);
        }
      }
    })();
    await settle(clock, toStation.send(blob(60_000)));
    await clock.run({ untilUs: clock.nowUs() + S });
    expect(Uint8Array.from(parts.flatMap((part) => [...part]))).toEqual(blob(60_000));
    expect(station.heldBytes).toBe(0);
  });

  it("that nobody reads hold the sender back", async () => {
    const { clock, station, toStation, wait } = await stage(
      {},
      {},
      { ...streaming, streamBytesMax: 4096 },
    );
    const sent = toStation.send(blob(60_000));
    let isSent = false;
    sent.then(() => {
      isSent = true;
    });
    await wait(60 * S);
    expect(isSent).toBe(false);
    // Unread bytes of the stream, and what was under way in its first window of 64.
    expect(station.heldBytes).toBeLessThanOrEqual(4096 + 64 * (250 + 64));
    const { value: stream } = await station.streams().next();
    let length = 0;
    void (async () => {
      for await (const bytes of stream) length += bytes.length;
    })();
    await settle(clock, sent);
    await wait(S);
    expect(length).toBe(60_000);
  });

  it("left early are refused to their sender, and hold nothing", async () => {
    const { clock, station, toStation, wait } = await stage(
      {},
      {},
      { ...streaming, streamBytesMax: 4096 },
    );
    void (async () => {
      for await (const stream of station.streams()) for await (const _ of stream) break;
    })();
    const error = await failure(clock, toStation.send(blob(60_000)));
    expect(error).toMatchObject({ code: "refused-by-peer" });
    expect(error.message).toContain("reader");
    await wait(S);
    expect(station.heldBytes).toBe(0);
  });

  it("cancelled before they are read are refused too", async () => {
    const { clock, station, toStation, wait } = await stage(
      {},
      {},
      { ...streaming, streamBytesMax: 4096 },
    );
    void (async () => {
      for await (const stream of station.streams()) stream.cancel();
    })();
    expect((await failure(clock, toStation.send(blob(60_000)))).code).toBe("refused-by-peer");
    await wait(S);
    expect(station.heldBytes).toBe(0);
  });

  for (const [end, code] of [
    ["abort", "sender-gave-up"],
    ["close", "peer-closed"],
    ["own close", "endpoint-closed"],
  ] as const) {
    it(`fail when the rest will not come: ${code}`, async () => {
      const { clock, station, toStation, toGateway, wait } = await stage({}, {}, streaming);
      const errors: unknown[] = [];
      void (async () => {
        for await (const stream of station.streams()) {
          try {
            for await (const _ of stream);
          } catch (error) {
            errors.push(error);
          }
        }
      })();
      const controller = new AbortController();
      const sent = toStation.send(blob(60_000), { signal: controller.signal });
      sent.catch(() => undefined);
      await wait(60 * MS);
      if (end === "abort") controller.abort();
      else if (end === "close") toStation.close();
      else toGateway.close();
      await failure(clock, sent);
      await wait(S);
      expect(errors).toMatchObject([{ code }]);
    });
  }

  it("fail when the sender vanishes without a word, and hold nothing then", async () => {
    const { pair, station, toStation, wait } = await stage({}, {}, streaming);
    const errors: unknown[] = [];
    void (async () => {
      for await (const stream of station.streams()) {
        try {
          for await (const _ of stream);
        } catch (error) {
          errors.push(error);
        }
      }
    })();
    toStation.send(blob(60_000)).catch(() => undefined);
    await wait(60 * MS);
    pair.a.close();
    // Twice the 30 s after which a silent peer is unreachable.
    await wait(59 * S);
    expect(errors).toEqual([]);
    await wait(2 * S);
    expect(errors).toMatchObject([{ code: "peer-unreachable" }]);
    expect(station.heldBytes).toBe(0);
  });
});

describe("listeners", () => {
  it("hear of sessions until they are taken off", async () => {
    const { clock, gateway, toStation, wait } = await stage();
    const seen: string[] = [];
    const stop = gateway.on("session-opened", ({ peer }) => {
      expect(peer).toBe(toStation);
      seen.push("opened");
    });
    gateway.on("session-ended", ({ why }) => seen.push(why));
    await settle(clock, toStation.send(command));
    toStation.close();
    await wait(S);
    stop();
    await settle(clock, toStation.send(command));
    expect(seen).toEqual(["opened", "closed-here"]);
  });

  it("that throw do not disturb the others, and their error comes out by itself", async () => {
    const { clock, gateway, station, toStation } = await stage();
    const thrown: unknown[] = [];
    const catcher = (error: unknown) => thrown.push(error);
    const others = process.listeners("uncaughtException");
    process.removeAllListeners("uncaughtException");
    process.on("uncaughtException", catcher);
    const seen: string[] = [];
    gateway.on("session-opened", () => {
      throw new Error("from a listener");
    });
    gateway.on("session-opened", () => seen.push("opened"));
    station.onMessage(() => {
      seen.push("message");
      throw new Error("from a handler");
    });
    const onProgress = () => {
      throw new Error("from progress");
    };
    await settle(clock, toStation.send(blob(3000), { onProgress }));
    await settle(clock, toStation.send(command));
    process.removeListener("uncaughtException", catcher);
    for (const listener of others) process.on("uncaughtException", listener);
    expect(seen).toEqual(["opened", "message", "message"]);
    const sentences = thrown.map((error) => (error as Error).message);
    expect(sentences).toContain("from a listener");
    expect(sentences).toContain("from progress");
    expect(sentences.filter((sentence) => sentence === "from a handler")).toHaveLength(2);
  });

  it("a handler of messages is given what came before it", async () => {
    const { clock, station, toStation } = await stage();
    await settle(clock, toStation.send(command));
    const seen: Uint8Array[] = [];
    const reader = station.messages();
    station.onMessage(({ bytes }) => seen.push(bytes));
    await settle(clock, toStation.send(blob(5)));
    const { value } = await reader.next();
    expect([(value as Message).bytes, seen]).toEqual([command, [blob(5)]]);
  });
});

describe("closing", () => {
  it("ends everything: readers, requests, messages; tells the peer; may be called twice", async () => {
    const { clock, gateway, toStation, wait } = await stage();
    await settle(clock, toStation.send(command));
    await wait(2 * S);
    const readers = [gateway.messages(), gateway.requests(), gateway.streams()].map((each) =>
      each.next(),
    );
    const asked = toStation.request(command);
    asked.catch(() => undefined);
    await wait(100 * MS);
    await Promise.all([gateway.close(), gateway.close()]);
    await gateway.close();
    for (const reader of readers) expect(await reader).toEqual({ done: true, value: undefined });
    expect(words(await failure(clock, asked))).toEqual(["endpoint-closed", "unknown"]);
  });

  for (const count of [2, 5]) {
    it(`tells ${count} peers before it closes the link`, async () => {
      const clock = new VirtualClock();
      const medium = new Medium({ ...presets.reference(), clock });
      // A clock that is not virtual as far as the endpoint can tell: closing waits on it.
      const asReal: Clock = {
        nowUs: () => clock.nowUs(),
        setTimer: (atUs, run) => clock.setTimer(atUs, run),
        clearTimer: (handle) => clock.clearTimer(handle),
      };
      const address = (last: number) => Uint8Array.of(2, 0, 0, 0, 0, last);
      const link = medium.attach({ address: address(0) });
      const gateway = await start({ link, clock: asReal, random: seededRandom(1) });
      const ended: string[] = [];
      for (let last = 1; last <= count; last++) {
        const stationLink = medium.attach({ address: address(last) });
        const station = await start({ link: stationLink, clock, random: seededRandom(10 + last) });
        station.on("session-ended", ({ why }) => ended.push(why));
        await settle(clock, gateway.peer(address(last)).send(command));
      }
      await clock.run({ untilUs: clock.nowUs() + 2 * S });
      const startUs = clock.nowUs();
      await settle(clock, gateway.close());
      expect(clock.nowUs() - startUs).toBeLessThanOrEqual(250 * MS);
      await clock.run({ untilUs: clock.nowUs() + S });
      expect(ended).toEqual(new Array(count).fill("peer-closed"));
    });
  }

  it("leaves no timer, and no datagram on its way", async () => {
    const { clock, gateway, station, toStation } = await stage();
    await settle(clock, toStation.send(blob(5000)));
    const sent = toStation.send(blob(50_000));
    sent.catch(() => undefined);
    await clock.run({ untilUs: clock.nowUs() + 20 * MS });
    await gateway.close();
    await station.close();
    await clock.run({ untilUs: clock.nowUs() + S });
    expect(clock.timerCount).toBe(0);
  });

  it("by `await using` is the same", async () => {
    const { gateway, clock, toStation } = await stage();
    await gateway[Symbol.asyncDispose]();
    expect((await failure(clock, toStation.send(command))).code).toBe("endpoint-closed");
  });
});

describe("handles", () => {
  it("are one for each address, and cost no datagram", async () => {
    const { clock, gateway, pair, toStation } = await stage();
    expect(gateway.peer(pair.b.localAddress)).toBe(toStation);
    expect(gateway.peer(pair.b.localAddress.slice())).toBe(toStation);
    expect(toStation.report()).toBeUndefined();
    expect(gateway.address).toEqual(pair.a.localAddress);
    await clock.run({ untilUs: S });
    expect(pair.medium.statistics.offered.datagrams).toBe(0);
  });

  it("what is sent in one turn shares a datagram; flush sends at once", async () => {
    const { clock, gateway, pair, toStation, wait } = await stage();
    await settle(clock, toStation.send(command));
    await wait(2 * S);
    const before = pair.medium.statistics.offered.datagrams;
    const sent = [1, 2, 3, 4].map((size) => toStation.send(blob(size)));
    await settle(clock, Promise.all(sent));
    // One datagram, and its ack.
    expect(pair.medium.statistics.offered.datagrams - before).toBe(2);
    const flushed = toStation.send(command);
    expect(pair.medium.statistics.offered.datagrams - before).toBe(2);
    gateway.flush();
    expect(pair.medium.statistics.offered.datagrams - before).toBe(3);
    await settle(clock, flushed);
  });

  it("report what is known of the way: round trip, loss, goodput, signal", async () => {
    const { clock, toStation, wait } = await stage({ loss: 0.2, seed: 3 });
    await settle(clock, toStation.send(blob(50_000)));
    const report = toStation.report();
    expect(report?.roundTripUs).toBeGreaterThan(1000);
    expect(report?.roundTripUs).toBeLessThan(20_000);
    expect(report?.lossRate).toBeGreaterThan(0.1);
    expect(report?.lossRate).toBeLessThan(0.35);
    expect(report?.goodputBytesPerS).toBeGreaterThan(10_000);
    expect(report?.silentUs).toBe(0);
    await wait(S);
    expect(toStation.report()?.silentUs).toBe(S);
  });
});

describe("a link that misbehaves", () => {
  it("tells outcomes twice or late: nothing breaks", async () => {
    const clock = new VirtualClock();
    const pair = lossyPair({ ...presets.reference(), clock });
    const twice: Link = {
      mtuBytes: 250,
      outstandingMax: 2,
      open: (handlers) => pair.a.open(handlers),
      close: () => pair.a.close(),
      send: (to, datagram, done) =>
        pair.a.send(to, datagram, (outcome) => {
          done(outcome);
          done("refused");
        }),
    };
    const gateway = await start({ link: twice, clock, random: seededRandom(1) });
    const station = await start({ link: pair.b, clock, random: seededRandom(2) });
    const seen: Uint8Array[] = [];
    station.onMessage(({ bytes }) => seen.push(bytes));
    await settle(clock, gateway.peer(pair.b.localAddress).send(blob(5000)));
    expect(seen).toEqual([blob(5000)]);
  });
});
