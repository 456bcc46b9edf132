import { type Address, Endpoint, type PeerReport } from "@fardel/core";
import { type LossyPair, lossyPair, Medium, presets, VirtualClock } from "@fardel/lossy-link";
import fc from "fast-check";
import { afterEach, describe, expect, it } from "vitest";
import { LiveWatch, type LiveWatchOptions, type WatchedEndpoint } from "./live-watch.js";
import {
  CURVE_POINTS_MAX,
  EVENTS_MAX,
  type LiveSnapshot,
  PEER_ORDERS,
  PEERS_SHOWN_MAX,
  TRANSFERS_SHOWN_MAX,
} from "./snapshot.js";

const ALL = { order: "signal", afterEvent: 0, afterUs: -1 } as const;
const S = 1_000_000;

const open: Endpoint[] = [];
afterEach(async () => {
  for (const endpoint of open.splice(0)) await endpoint.close();
});

/** A watched gateway and a board, one on each end of a channel. */
async function setUp(
  options: Partial<LiveWatchOptions> & { loss?: number; seed?: number } = {},
): Promise<{
  clock: VirtualClock;
  pair: LossyPair;
  watch: LiveWatch;
  gateway: Endpoint;
  board: Endpoint;
  pass: (us: number) => Promise<unknown>;
}> {
  const { loss = 0, seed = 1, ...rest } = options;
  const clock = new VirtualClock();
  const pair = lossyPair({ clock, loss, seed, ...presets.reference() });
  const watch = new LiveWatch({
    name: "north orchard",
    clock,
    nowMs: () => 1_776_482_400_000,
    ...rest,
  });
  const gateway = await Endpoint.open({ link: watch.link(pair.a), clock, trace: watch.trace });
  const board = await Endpoint.open({ link: pair.b, clock });
  open.push(gateway, board);
  board.onMessage(() => {});
  watch.attach(gateway);
  return {
    clock,
    pair,
    watch,
    gateway,
    board,
    pass: (us) => clock.run({ untilUs: clock.nowUs() + us }),
  };
}

const texts = ({ events }: LiveSnapshot) => events.map(({ text }) => text);

describe("a snapshot", () => {
  it("has nothing in it before anybody spoke", async () => {
    const { watch } = await setUp();
    const snapshot = watch.snapshot(ALL);
    expect(snapshot).toMatchObject({
      version: 1,
      name: "north orchard",
      address: "02:00:00:00:00:0a",
      startedMs: 1_776_482_400_000,
      atUs: 0,
      link: { status: "up", sinceUs: 0 },
      peers: [],
      transfers: [],
      events: [],
    });
    expect(snapshot.totals).toMatchObject({
      peers: 0,
      open: 0,
      heldBytes: 0,
      unreadableDatagrams: 0,
    });
  });

  it("shows peers, totals, messages and sessions", async () => {
    const { watch, gateway, board, pair, pass } = await setUp({ nameOf: () => "row-7" });
    gateway.onMessage(() => {});
    board
      .peer(pair.a.localAddress)
      .send(new Uint8Array(28))
      .catch(() => {});
    await pass(3 * S);
    const snapshot = watch.snapshot(ALL);
    expect(snapshot.peers).toHaveLength(1);
    expect(snapshot.peers[0]).toMatchObject({
      address: "02:00:00:00:00:0b",
      name: "row-7",
      phase: "open",
      isProtected: false,
      messagesReceived: 1,
      sessions: 1,
      receivedDatagramsPerS: 0,
    });
    expect(snapshot.totals).toMatchObject({ peers: 1, open: 1, heard: 1, messagesReceived: 1 });
    // The first message comes before the board has proved where it is.
    expect(texts(snapshot)).toEqual([
      "Message of 28 bytes from row-7.",
      "Session with row-7 is open.",
    ]);
    board.peer(pair.a.localAddress).close();
    await pass(S);
    expect(texts(watch.snapshot(ALL)).at(-1)).toBe("Session with row-7 has ended: it has closed.");
  });

  it("is plain data: JSON gives it back", async () => {
    const { watch, gateway, pair, pass } = await setUp({ loss: 0.1 });
    gateway
      .peer(pair.b.localAddress)
      .send(new Uint8Array(200_000))
      .catch(() => {});
    await pass(2 * S);
    const snapshot = watch.snapshot(ALL);
    expect(snapshot.transfers).toHaveLength(1);
    expect(JSON.parse(JSON.stringify(snapshot))).toEqual(snapshot);
  });

  it("has new figures after each look", async () => {
    const { watch, gateway, pair, pass } = await setUp();
    const send = () => void gateway.peer(pair.b.localAddress).send(new Uint8Array(9));
    const sent = () => watch.snapshot(ALL).peers.map(({ messagesSent }) => messagesSent);
    send();
    await pass(S);
    expect(sent()).toEqual([1]);
    send();
    await pass(S / 2);
    expect(sent()).toEqual([1]);
    await pass(S / 2);
    expect(sent()).toEqual([2]);
  });

  it("has only what is new to its reader", async () => {
    const { watch, pass } = await setUp();
    watch.note("One.");
    watch.note("Two.", { isTrouble: true });
    await pass(2 * S);
    expect(texts(watch.snapshot({ ...ALL, afterEvent: 1 }))).toEqual(["Two."]);
    const { curve } = watch.snapshot(ALL);
    expect(curve.map(({ atUs }) => atUs)).toEqual([0, S, 2 * S]);
    expect(watch.snapshot({ ...ALL, afterUs: S }).curve).toHaveLength(1);
    expect(watch.snapshot({ ...ALL, afterEvent: 2, afterUs: 2 * S })).toMatchObject({
      events: [],
      curve: [],
    });
  });

  it("tells transfers under way, and what became of them", async () => {
    const { watch, gateway, pair, pass } = await setUp({ loss: 0.2 });
    const sent = gateway.peer(pair.b.localAddress).send(new Uint8Array(200_000));
    await pass(2 * S);
    const [transfer] = watch.snapshot(ALL).transfers;
    expect(transfer).toMatchObject({
      id: 1,
      direction: "sending",
      totalBytes: 200_000,
      sinceUs: S,
    });
    expect(transfer?.doneBytes).toBeGreaterThan(100_000);
    expect(transfer?.bytesPerS).toBeGreaterThan(50_000);
    await pass(10 * S);
    await sent;
    expect(watch.snapshot(ALL).transfers).toEqual([]);
    expect(texts(watch.snapshot(ALL)).at(-1)).toMatch(/^Transfer of 200 kB to .*:0b is whole/);
  });

  it("says when the link is down, since when, and why if that is told", async () => {
    const { watch, pair, pass } = await setUp();
    await pass(S);
    pair.a.restartRadio(500_000);
    await pass(S / 10);
    expect(watch.snapshot(ALL).link).toMatchObject({ status: "down" });
    await pass(S);
    expect(watch.snapshot(ALL).link.status).toBe("up");
    watch.noteLink("down", "The cable was pulled.");
    watch.noteLink("down", "The cable was pulled.");
    expect(texts(watch.snapshot(ALL))).toEqual([
      "The link is down.",
      "The link is up.",
      "The link is down. The cable was pulled.",
    ]);
  });

  it("tells of losses in a row", async () => {
    const { watch, gateway, pair, pass } = await setUp();
    gateway
      .peer(pair.b.localAddress)
      .send(new Uint8Array(300_000))
      .catch(() => {});
    await pass(S);
    // The radio of the board is away; the gateway goes on sending into the air.
    pair.b.restartRadio(30_000);
    await pass(2 * S);
    expect(texts(watch.snapshot(ALL))).toContain(
      "8 datagrams in a row to 02:00:00:00:00:0b were lost.",
    );
  });
});

describe("messages", () => {
  it("are those that are noted, where the program knows each one", async () => {
    const { watch, gateway, board, pair, pass } = await setUp({ messages: "noted" });
    gateway.onMessage(({ peer, bytes }) => watch.noteMessage(peer.address, bytes.length, true));
    board
      .peer(pair.a.localAddress)
      .send(new Uint8Array(28))
      .catch(() => {});
    await pass(2 * S);
    expect(texts(watch.snapshot(ALL))).toEqual([
      "Request of 28 bytes from 02:00:00:00:00:0b.",
      "Session with 02:00:00:00:00:0b is open.",
    ]);
  });

  it("are not counted twice where they are counted", async () => {
    const { watch, pass } = await setUp();
    watch.noteMessage(Uint8Array.of(1), 10);
    await pass(2 * S);
    expect(watch.snapshot(ALL).events).toEqual([]);
  });
});

describe("the curves", () => {
  it("add up to what was sent and received, whatever was lost and given up", async () => {
    const sizes = fc.array(fc.integer({ min: 0, max: 60_000 }), { minLength: 1, maxLength: 6 });
    const run = fc.asyncProperty(
      sizes,
      fc.double({ min: 0, max: 0.4, noNaN: true }),
      fc.nat(),
      async (all, loss, seed) => {
        const { watch, gateway, board, pair, pass } = await setUp({ loss, seed });
        gateway.onMessage(() => {});
        for (const [index, bytes] of all.entries()) {
          const [from, to] = index % 2 ? [gateway, pair.b] : [board, pair.a];
          from
            .peer(to.localAddress)
            .send(new Uint8Array(bytes))
            .catch(() => {});
        }
        await pass(60 * S);
        const { curve, totals } = watch.snapshot(ALL);
        const sum = (name: "sentBytesPerS" | "receivedBytesPerS") =>
          Math.round(curve.reduce((bytes, point) => bytes + point[name], 0));
        const total = (odd: number) =>
          all.reduce((bytes, size, index) => (index % 2 === odd ? bytes + size : bytes), 0);
        expect([sum("sentBytesPerS"), sum("receivedBytesPerS")]).toEqual([total(1), total(0)]);
        expect(totals.messagesSent + totals.messagesReceived).toBe(all.length);
      },
    );
    await fc.assert(run, { numRuns: 20 });
  });

  it("have no more points than five minutes, however long it lasts and however often it looks", async () => {
    const { watch, pass } = await setUp({ intervalUs: 100_000 });
    await pass(400 * S);
    const { curve } = watch.snapshot(ALL);
    expect(curve).toHaveLength(CURVE_POINTS_MAX);
    expect(curve.at(-1)!.atUs - curve[0]!.atUs).toBe((CURVE_POINTS_MAX - 1) * S);
  });
});

/** An endpoint with any number of peers. */
function crowd(count: number): WatchedEndpoint & { reported: PeerReport[] } {
  const reported = Array.from({ length: count }, (_, index) => reportOf(index));
  const transfers = reported.slice(0, 500).map(({ address }) => ({
    peer: address,
    direction: "sending" as const,
    way: "ordered" as const,
    channel: 0,
    totalBytes: 5000,
    doneBytes: 0,
  }));
  return {
    reported,
    address: undefined,
    heldBytes: 7,
    counts: {
      unreadableDatagrams: 1,
      ignoredDatagrams: 0,
      unexplainedDatagrams: 0,
      sessionlessDatagrams: 0,
      refusedDatagrams: 0,
    },
    reports: () => reported,
    transfers: () => transfers,
    on: () => () => {},
  };
}

function reportOf(index: number): PeerReport {
  const address: Address = Uint8Array.of(2, 0, 0, 0, index >> 8, index & 255);
  // Each figure has another order, and some are not known.
  const mixed = (index * 7919) % 10_007;
  const zeros = {
    datagramsSent: 0,
    bytesSent: 0,
    fragmentsSent: 0,
    fragmentsRepeated: 0,
    datagramsReceived: 1,
    bytesReceived: 1,
    duplicateDatagrams: 0,
    duplicateFragments: 0,
    corruptDatagrams: 0,
    malformed: 0,
    fragmentsDropped: 0,
    fragmentsLost: 0,
    probesSent: 0,
    acksSent: 0,
    messagesSent: 0,
    messageBytesSent: 0,
    messageBytesReceived: 0,
    sendsRefused: 0,
    sendsNotAcknowledged: 0,
    sessions: 1,
    roundTripVariationUs: undefined,
    radioChannel: undefined,
    queuedBytes: 0,
    heldBytes: 0,
  };
  return {
    ...zeros,
    address,
    phase: index % 3 ? "open" : "idle",
    isVerified: true,
    isProtected: false,
    roundTripUs: index % 4 ? mixed : undefined,
    lossRate: index % 5 ? (mixed % 100) / 100 : undefined,
    goodputBytesPerS: index % 6 ? mixed : undefined,
    rssiDbm: index % 7 ? -20 - (mixed % 80) : undefined,
    silentUs: index % 8 ? mixed * 10_000 : undefined,
    queuedMessages: mixed % 50,
    messagesReceived: mixed % 60,
  };
}

describe("limits", () => {
  it("hold with ten thousand peers: the first ones of the order are shown, all are counted", () => {
    const endpoint = crowd(10_000);
    const watch = new LiveWatch({ name: "crowd", clock: new VirtualClock() });
    watch.attach(endpoint);
    for (const order of PEER_ORDERS) {
      const { peers, totals, ...rest } = watch.snapshot({ ...ALL, order });
      expect(peers).toHaveLength(PEERS_SHOWN_MAX);
      expect(totals).toMatchObject({ peers: 10_000, open: 6666, heldBytes: 7 });
      expect([rest.transfers.length, rest.transfersTotal]).toEqual([TRANSFERS_SHOWN_MAX, 500]);
      expect(rest.events.length).toBeLessThanOrEqual(EVENTS_MAX);
      expect(JSON.stringify({ peers, ...rest }).length).toBeLessThan(200_000);
    }
    watch.close();
  });

  it("leave out nobody who belongs before somebody who is shown", () => {
    const { reported, ...endpoint } = crowd(3000);
    const watch = new LiveWatch({ name: "crowd", clock: new VirtualClock() });
    watch.attach({ ...endpoint, reports: () => reported });
    const figures = {
      signal: ({ rssiDbm = -1e9 }: { rssiDbm?: number | undefined }) => -rssiDbm,
      heard: ({ silentUs = 1e12 }: { silentUs?: number | undefined }) => silentUs,
      loss: ({ lossRate = -1 }: { lossRate?: number | undefined }) => -lossRate,
    };
    for (const order of ["signal", "heard", "loss"] as const) {
      const rank = figures[order];
      const expected = reported.map(rank).sort((one, other) => one - other);
      const shown = watch.snapshot({ ...ALL, order }).peers.map(rank);
      expect(shown).toEqual(expected.slice(0, PEERS_SHOWN_MAX));
    }
    const { peers } = watch.snapshot({ ...ALL, order: "address" });
    expect(peers.map(({ address }) => address)).toEqual(
      [...peers.map(({ address }) => address)].sort(),
    );
    watch.close();
  });

  it("keep the last events of many", async () => {
    const { watch } = await setUp();
    for (let count = 0; count < 1000; count++) watch.note(`Note ${count}.`);
    const { events } = watch.snapshot(ALL);
    expect([events.length, events[0]?.number, events.at(-1)?.text]).toEqual([
      EVENTS_MAX,
      801,
      "Note 999.",
    ]);
  });

  it("refuse to look faster than anybody can read", () => {
    expect(() => new LiveWatch({ name: "x", intervalUs: 99_999 })).toThrow("Give 100000 or more");
    expect(() => new LiveWatch({ name: "x", intervalUs: Number.NaN })).toThrow("Give 100000");
  });
});

describe("closing", () => {
  it("ends looking, and keeps what was seen", async () => {
    const { clock, watch, gateway, pair, pass } = await setUp();
    gateway
      .peer(pair.b.localAddress)
      .send(new Uint8Array(10))
      .catch(() => {});
    await pass(2 * S);
    let looks = 0;
    watch.onLook(() => looks++);
    watch.close();
    watch.close();
    await gateway.close();
    await pass(5 * S);
    expect(looks).toBe(0);
    expect(clock.nowUs()).toBe(7 * S);
    expect(watch.snapshot(ALL).peers).toHaveLength(1);
  });

  it("comes before another endpoint", async () => {
    const { watch, clock } = await setUp();
    const { a } = lossyPair({ clock });
    const other = await Endpoint.open({ link: a, clock });
    open.push(other);
    watch.attach(other);
    expect(watch.snapshot(ALL).peers).toEqual([]);
    let looks = 0;
    const stop = watch.onLook(() => looks++);
    await clock.run({ untilUs: clock.nowUs() + 3 * S });
    expect(looks).toBe(3);
    stop();
    await clock.run({ untilUs: clock.nowUs() + 3 * S });
    expect(looks).toBe(3);
    watch.close();
  });
});

describe("messages of many boards", () => {
  it("are told together", async () => {
    const clock = new VirtualClock();
    const medium = new Medium({ clock, seed: 2, ...presets.reference() });
    const link = medium.attach({ address: Uint8Array.of(2, 0, 0, 0, 0, 1) });
    const watch = new LiveWatch({ name: "boards", clock });
    const gateway = await Endpoint.open({ link, clock });
    open.push(gateway);
    watch.attach(gateway);
    for (let row = 2; row < 7; row++) {
      const board = await Endpoint.open({
        link: medium.attach({ address: Uint8Array.of(2, 0, 0, 0, 0, row) }),
        clock,
      });
      open.push(board);
      board
        .peer(link.localAddress)
        .send(new Uint8Array(20), { way: "latest" })
        .catch(() => {});
    }
    await clock.run({ untilUs: 2 * S });
    expect(texts(watch.snapshot(ALL))[0]).toBe("5 messages from 5 peers, together 100 bytes.");
    watch.close();
  });
});
