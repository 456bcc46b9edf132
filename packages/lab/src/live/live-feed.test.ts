import { describe, expect, it } from "vitest";
import { LiveFeed } from "./live-feed.js";
import { readSnapshot } from "./read-snapshot.js";
import { CURVE_POINTS_MAX, EVENTS_MAX, type LivePeer, type LiveSnapshot } from "./snapshot.js";

function snapshot(changes: Partial<LiveSnapshot> = {}): LiveSnapshot {
  return {
    version: 1,
    name: "north orchard",
    startedMs: 0,
    atUs: 0,
    link: { status: "up", sinceUs: 0 },
    peers: [],
    order: "signal",
    totals: {
      peers: 0,
      open: 0,
      heard: 0,
      queuedMessages: 0,
      queuedBytes: 0,
      heldBytes: 0,
      datagramsSent: 0,
      datagramsReceived: 0,
      messagesSent: 0,
      messagesReceived: 0,
      unreadableDatagrams: 0,
      ignoredDatagrams: 0,
      unexplainedDatagrams: 0,
      sessionlessDatagrams: 0,
      refusedDatagrams: 0,
    },
    transfers: [],
    transfersTotal: 0,
    events: [],
    curve: [],
    ...changes,
  };
}

function events(first: number, last: number) {
  return Array.from({ length: last - first + 1 }, (_, index) => ({
    number: first + index,
    atUs: first + index,
    kind: "note" as const,
    text: `Note ${first + index}.`,
    isTrouble: false,
  }));
}

function point(atUs: number) {
  return { atUs, sentBytesPerS: 0, receivedBytesPerS: 0 };
}

function peer(address: string, changes: Partial<LivePeer> = {}): LivePeer {
  return {
    address,
    phase: "open",
    isProtected: false,
    queuedMessages: 0,
    queuedBytes: 0,
    heldBytes: 0,
    datagramsSent: 0,
    datagramsReceived: 0,
    messagesSent: 0,
    messagesReceived: 0,
    fragmentsSent: 0,
    fragmentsRepeated: 0,
    sessions: 1,
    receivedDatagramsPerS: 1,
    receivedBytesPerS: 28,
    ...changes,
  };
}

const numbers = (feed: LiveFeed) => feed.picture.value?.events.map(({ number }) => number);

describe("LiveFeed", () => {
  it("puts together what comes in parts, and takes nothing twice", () => {
    const feed = new LiveFeed();
    expect([feed.afterEvent, feed.afterUs]).toEqual([0, -1]);
    feed.accept(snapshot({ events: events(1, 2), curve: [point(0), point(10)] }));
    feed.accept(snapshot({ events: events(2, 4), curve: [point(10), point(20)] }));
    expect(numbers(feed)).toEqual([1, 2, 3, 4]);
    expect(feed.picture.value?.curve.map(({ atUs }) => atUs)).toEqual([0, 10, 20]);
    expect([feed.afterEvent, feed.afterUs, feed.state.value.is]).toEqual([4, 20, "live"]);
  });

  it("says how many events passed unseen, but not those from before it looked", () => {
    const feed = new LiveFeed();
    feed.accept(snapshot({ events: events(801, 900) }));
    expect(feed.picture.value?.eventsMissed).toBe(0);
    feed.accept(snapshot({ events: events(911, 920) }));
    feed.accept(snapshot({ events: events(922, 922) }));
    expect(feed.picture.value?.eventsMissed).toBe(11);
  });

  it("keeps no more than it may", () => {
    const feed = new LiveFeed();
    for (let look = 0; look < 10; look++) {
      const curve = Array.from({ length: 100 }, (_, index) => point(look * 100 + index));
      feed.accept(
        snapshot({
          atUs: look,
          events: events(look * 100 + 1, look * 100 + 100),
          curve,
          peers: [peer(String(look % 2)), peer("2")],
        }),
      );
    }
    expect(feed.picture.value?.events).toHaveLength(EVENTS_MAX);
    expect(feed.picture.value?.curve).toHaveLength(CURVE_POINTS_MAX);
    // Who is shown no more is forgotten.
    expect([0, 1, 2].map((address) => feed.peerCurve(String(address)).length)).toEqual([0, 1, 10]);
    for (let look = 10; look < 400; look++) {
      feed.accept(snapshot({ atUs: look, peers: [peer("2")] }));
    }
    expect(feed.peerCurve("2")).toHaveLength(CURVE_POINTS_MAX);
  });

  it("stands still while it is paused, and loses nothing", () => {
    const feed = new LiveFeed();
    feed.accept(snapshot({ events: events(1, 1) }));
    feed.setPaused(true);
    feed.accept(snapshot({ events: events(2, 2), atUs: 5 }));
    feed.accept(snapshot({ events: events(3, 3), atUs: 6 }));
    expect(numbers(feed)).toEqual([1]);
    expect(feed.afterEvent).toBe(3);
    feed.setPaused(false);
    expect(numbers(feed)).toEqual([1, 2, 3]);
    expect(feed.picture.value?.snapshot.atUs).toBe(6);
  });

  it("draws no signal strength that is old", () => {
    const feed = new LiveFeed();
    const rssiDbm = -70;
    feed.accept(snapshot({ atUs: 1, peers: [peer("2", { rssiDbm })] }));
    feed.accept(snapshot({ atUs: 2, peers: [peer("2", { rssiDbm, receivedDatagramsPerS: 0 })] }));
    expect(feed.peerCurve("2").map((one) => one.rssiDbm)).toEqual([-70, undefined]);
  });

  it("begins anew with something else", () => {
    const feed = new LiveFeed();
    feed.accept(snapshot({ events: events(1, 9), peers: [peer("2")] }));
    feed.setPaused(true);
    feed.clear();
    expect([feed.picture.value, feed.isPaused.value, feed.afterEvent]).toEqual([
      undefined,
      false,
      0,
    ]);
    expect(feed.peerCurve("2")).toEqual([]);
  });
});

describe("readSnapshot", () => {
  it("takes what a gateway sends", () => {
    const sent = snapshot({ events: events(1, 1), peers: [peer("2")] });
    expect(readSnapshot(JSON.stringify(sent))).toEqual(sent);
  });

  it.each([
    ["", "unreadable"],
    ["{", "unreadable"],
    ["null", "unreadable"],
    ["7", "unreadable"],
    ["{}", "unreadable"],
    ['{"version":1}', "unreadable"],
    [JSON.stringify(snapshot({ version: 2 as 1 })), "other-version"],
    [JSON.stringify({ ...snapshot(), events: "none" }), "unreadable"],
    [JSON.stringify({ ...snapshot(), link: undefined }), "unreadable"],
    [JSON.stringify({ ...snapshot(), totals: null }), "unreadable"],
  ])("refuses %s", (json, why) => {
    expect(readSnapshot(json)).toBe(why);
  });
});
