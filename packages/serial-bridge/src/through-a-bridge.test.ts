import {
  type Address,
  Endpoint,
  type Link,
  type LinkHandlers,
  type SendOutcome,
} from "@fardel/core";
import { Medium, presets, Random, VirtualClock } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { type Gateway, Orchard } from "./host/bridge-bench.js";
import { STATION } from "./host/fake-board.js";

const MS = 1000;
const S = 1_000_000;

/** Hands everything on, and sees to it that each datagram gets one outcome. */
class WatchedLink implements Link {
  readonly mtuBytes: number;
  readonly outstandingMax: number;
  readonly localAddress: Address;
  readonly open: (handlers: LinkHandlers) => void | Promise<void>;
  readonly close: () => void | Promise<void>;
  sent = 0;
  readonly outcomes: Record<SendOutcome, number> = {
    sent: 0,
    acknowledged: 0,
    "not-acknowledged": 0,
    refused: 0,
    gone: 0,
  };

  constructor(readonly link: Link) {
    this.mtuBytes = link.mtuBytes;
    this.outstandingMax = link.outstandingMax;
    this.localAddress = link.localAddress!;
    this.open = (handlers) => link.open(handlers);
    this.close = () => link.close();
  }

  send(to: Address, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    this.sent++;
    let isDone = false;
    this.link.send(to, datagram, (outcome) => {
      expect(isDone).toBe(false);
      isDone = true;
      this.outcomes[outcome]++;
      done(outcome);
    });
  }

  get told(): number {
    return Object.values(this.outcomes).reduce((sum, count) => sum + count, 0);
  }
}

interface Orders {
  readonly seed: number;
  readonly loss?: number;
  readonly bitRate?: number;
  readonly queue?: number;
}

async function orchardOf({ seed, loss = 0, bitRate = 115_200, queue = 4 }: Orders) {
  const clock = new VirtualClock();
  const random = new Random(seed);
  const medium = new Medium({ ...presets.reference(), clock, seed, loss });
  const draws = random.stream("draws");
  const orchard = new Orchard({
    clock,
    attach: (address) => medium.attach({ address }),
    random: () => draws.uint32(),
    bitRate,
    queue,
  });
  return { orchard, clock, random };
}

/** Two endpoints, one behind a bridge: what they send each other, and what arrived. */
class Exchange {
  readonly arrived = { gateway: [] as string[], station: [] as string[] };
  readonly sent = { gateway: [] as string[], station: [] as string[] };
  readonly failures: unknown[] = [];
  #delivered = 0;

  private constructor(
    readonly orchard: Orchard,
    readonly gateway: Gateway,
    readonly watched: WatchedLink,
    readonly ends: { readonly gateway: Endpoint; readonly station: Endpoint },
    readonly random: Random,
  ) {
    for (const end of ["gateway", "station"] as const) {
      ends[end].onMessage(({ bytes }) => this.arrived[end].push(textOf(bytes)));
    }
  }

  static async begin(orders: Orders): Promise<Exchange> {
    const { orchard, clock, random } = await orchardOf(orders);
    const gateway = await orchard.gateway();
    const watched = new WatchedLink(gateway.link);
    const draws = random.stream("endpoints");
    const options = { clock, random: () => draws.uint32() };
    const ends = {
      gateway: await Endpoint.open({ ...options, link: watched }),
      station: await Endpoint.open({ ...options, link: orchard.station() }),
    };
    return new Exchange(orchard, gateway, watched, ends, random);
  }

  /** A message each way. */
  send(bytesMax: number): void {
    const { gateway, station } = this.ends;
    this.#post("gateway", gateway, station.address!, bytesMax);
    this.#post("station", station, gateway.address!, bytesMax);
  }

  #post(from: "gateway" | "station", end: Endpoint, to: Address, bytesMax: number): void {
    const bytes = new Uint8Array(this.random.integer(0, bytesMax));
    for (let at = 0; at < bytes.length; at++) bytes[at] = this.random.integer(0, 255);
    this.sent[from].push(textOf(bytes));
    end
      .peer(to)
      .send(bytes)
      .then(
        () => this.#delivered++,
        (error) => this.failures.push(error),
      );
  }

  /** Everything arrives, in order, once; every datagram has its outcome. */
  async check(): Promise<void> {
    const count = this.sent.gateway.length + this.sent.station.length;
    const { clock } = this.orchard;
    await clock.run({
      until: () => this.#delivered + this.failures.length === count,
      untilUs: clock.nowUs() + 600 * S,
    });
    expect(this.failures).toEqual([]);
    expect(this.#delivered).toBe(count);
    await this.orchard.pass(2 * S);
    expect(this.arrived.station).toEqual(this.sent.gateway);
    expect(this.arrived.gateway).toEqual(this.sent.station);
    await this.ends.gateway.close();
    await this.ends.station.close();
    await this.orchard.pass(S);
    expect(this.watched.told).toBe(this.watched.sent);
    await this.gateway.bridge.close();
  }
}

function textOf(bytes: Uint8Array): string {
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

describe("endpoints through a bridge", () => {
  it("exchange messages although the line flips, drops and inserts bytes both ways", async () => {
    const seen = { lostOnLine: 0, receivedMissing: 0, framesDamaged: 0 };
    for (let seed = 1; seed <= 24; seed++) {
      const rates = [57_600, 115_200, 921_600];
      const orders = { seed, loss: [0, 0.1, 0.3][seed % 3]!, bitRate: rates[(seed >> 1) % 3]! };
      const exchange = await Exchange.begin({ ...orders, queue: 1 + (seed % 6) });
      const { line, link } = exchange.gateway;
      const { random } = exchange;
      // Some kinds of fault are missing in some runs.
      const faults = () => ({
        flip: random.integer(0, 2) * 3e-4,
        drop: random.integer(0, 2) * 3e-4,
        insert: random.integer(0, 2) * 3e-4,
      });
      line.setFaults(faults(), "toBoard");
      line.setFaults(faults(), "toHost");
      for (let count = 0; count < 6; count++) {
        exchange.send(2000);
        await exchange.orchard.pass(random.integer(0, 200) * MS);
      }
      await exchange.check().catch((cause) => {
        throw new Error(`The run with seed ${seed} failed.`, { cause });
      });
      seen.lostOnLine += link.counts.lostOnLine;
      seen.receivedMissing += link.counts.receivedMissing;
      seen.framesDamaged += link.counts.framesDamaged;
    }
    // The faults did happen.
    expect(Math.min(...Object.values(seen))).toBeGreaterThan(10);
  });

  it("exchange messages although the board restarts, hangs, or loses its cable, at any moment", async () => {
    await fc.assert(
      fc.asyncProperty(
        fc.integer({ min: 1, max: 1e9 }),
        fc.array(
          fc.record({
            afterMs: fc.integer({ min: 0, max: 400 }),
            what: fc.constantFrom("restart", "chatter", "cable", "hang"),
          }),
          { minLength: 1, maxLength: 4 },
        ),
        async (seed, mishaps) => {
          const exchange = await Exchange.begin({ seed, loss: 0.05 });
          const { bridge, line } = exchange.gateway;
          for (let count = 0; count < 3; count++) exchange.send(4000);
          for (const { afterMs, what } of mishaps) {
            await exchange.orchard.pass(afterMs * MS);
            if (what === "hang") {
              bridge.hang();
              await exchange.orchard.pass(2 * S);
            }
            if (what === "cable") {
              line.pull();
              await exchange.orchard.pass(500 * MS);
              line.plug();
            } else bridge.restart(what === "chatter" ? BOOT_TEXT : undefined);
            exchange.send(300);
          }
          await exchange.check();
        },
      ),
      { numRuns: 25 },
    );
  });

  it("go on when the radio is set to another channel in between", async () => {
    const exchange = await Exchange.begin({ seed: 5 });
    exchange.send(3000);
    const refused = exchange.gateway.link.setRadioChannel(3).catch(({ code }) => code);
    // This radio has no channels; that it was asked for held nothing up.
    expect(await exchange.orchard.settled(refused)).toBe("channel-refused");
    await exchange.check();
  });
});

describe("a frame that is damaged on a quiet line", () => {
  /** Five datagrams, each after a pause; the first one's bytes are spoiled on the line. */
  async function fiveOverA(
    direction: "toBoard" | "toHost",
    orders: {
      readonly orchard: Orchard;
      readonly line: Gateway["line"];
      readonly send: () => void;
    },
  ): Promise<void> {
    const { orchard, line, send } = orders;
    line.setFaults({ flip: 0.5 }, direction);
    for (let count = 0; count < 5; count++) {
      send();
      await orchard.pass(50 * MS);
      line.setFaults({}, direction);
    }
    await orchard.pass(S);
    expect(line.statistics[direction].flipped).toBeGreaterThan(20);
  }

  it("costs the host one datagram of those that were heard", async () => {
    const { orchard } = await orchardOf({ seed: 11 });
    const { bridge, line, link } = await orchard.gateway();
    const station = orchard.station();
    station.open({ onDatagram: () => {} });
    const heard: number[] = [];
    link.open({ onDatagram: (_from, bytes) => heard.push(bytes[0] ?? -1) });
    let mark = 0;
    const send = () => station.send(link.localAddress, new Uint8Array(50).fill(++mark), () => {});
    await fiveOverA("toHost", { orchard, line, send });
    expect(heard).toEqual([2, 3, 4, 5]);
    expect(link.counts.receivedMissing).toBe(1);
    await link.close();
    await bridge.close();
  });

  it("costs the radio one datagram of those that were handed over", async () => {
    const { orchard } = await orchardOf({ seed: 12 });
    const { bridge, line, link } = await orchard.gateway();
    link.open({ onDatagram: () => {} });
    const outcomes: string[] = [];
    const send = () => link.send(STATION, new Uint8Array(50), (outcome) => outcomes.push(outcome));
    await fiveOverA("toBoard", { orchard, line, send });
    expect(outcomes).toEqual(["refused", "sent", "sent", "sent", "sent"]);
    expect(link.counts.lostOnLine).toBe(1);
    await link.close();
    await bridge.close();
  });
});

const BOOT_TEXT = new TextEncoder().encode("reset: power on\r\nheap 41 kB\r\nradio up\r\n");

describe("a board that restarts", () => {
  it("at any moment: one outcome for each datagram, and the link comes back", async () => {
    await fc.assert(
      fc.asyncProperty(
        fc.integer({ min: 1, max: 1e9 }),
        fc.integer({ min: 0, max: 60_000 }),
        fc.integer({ min: 1, max: 8 }),
        fc.boolean(),
        async (seed, atUs, queue, talks) => {
          const { orchard, clock } = await orchardOf({ seed, queue });
          const { bridge, link } = await orchard.gateway();
          const watched = new WatchedLink(link);
          const statuses: string[] = [];
          watched.open({ onDatagram: () => {}, onStatus: (status) => statuses.push(status) });
          const send = () => watched.send(STATION, new Uint8Array(100), () => {});
          for (let count = 0; count < queue; count++) send();
          clock.setTimer(clock.nowUs() + atUs, () => bridge.restart(talks ? BOOT_TEXT : undefined));
          await orchard.pass(S);
          for (let count = 0; count < queue; count++) send();
          await orchard.pass(S);
          expect([watched.told, watched.sent]).toEqual([2 * queue, 2 * queue]);
          expect(watched.outcomes.sent).toBeGreaterThanOrEqual(queue);
          expect(statuses).toEqual(["down", "up"]);
          await watched.close();
          await bridge.close();
        },
      ),
      { numRuns: 60 },
    );
  });

  it("while the host says HELLO?: answered in the next life", async () => {
    for (let atUs = 0; atUs < 5000; atUs += 100) {
      const { orchard, clock } = await orchardOf({ seed: 3 });
      const { bridge, line, link } = await orchard.gateway();
      await link.close();
      clock.setTimer(clock.nowUs() + atUs, () => bridge.restart(BOOT_TEXT));
      const again = await orchard.connect(line);
      again.open({ onDatagram: () => {} });
      const outcomes: string[] = [];
      // Where its first HELLO was lost the board is known to have restarted by the first datagram.
      for (let count = 0; count < 2; count++) {
        await orchard.pass(S);
        again.send(STATION, new Uint8Array(9), (outcome) => outcomes.push(outcome));
      }
      await orchard.pass(S);
      expect(outcomes.at(-1)).toBe("sent");
      await again.close();
      await bridge.close();
    }
  });
});

describe("a host's program that restarts without a word", () => {
  it("finds the bridge with an empty queue, and tokens from 0", async () => {
    const { orchard } = await orchardOf({ seed: 9 });
    const { bridge, line, link } = await orchard.gateway();
    link.open({ onDatagram: () => {} });
    for (let count = 0; count < 4; count++) link.send(STATION, new Uint8Array(250), () => {});
    await orchard.pass(40 * MS);
    // Killed: no GOODBYE.
    line.pull();
    await orchard.pass(MS);
    await link.close();
    line.plug();
    const next = await orchard.connect(line);
    next.open({ onDatagram: () => {} });
    const outcomes: string[] = [];
    for (let count = 0; count < 4; count++) {
      next.send(STATION, new Uint8Array(250), (outcome) => outcomes.push(outcome));
    }
    await orchard.pass(S);
    expect(outcomes).toEqual(["sent", "sent", "sent", "sent"]);
    expect(next.counts).toMatchObject({ restarts: 0, lostOnLine: 0 });
    await next.close();
    await bridge.close();
  });
});

describe("what is told", () => {
  it("names, sizes and counts of the bridge", async () => {
    const { orchard } = await orchardOf({ seed: 2, queue: 7 });
    const { bridge, link } = await orchard.gateway();
    expect(link).toMatchObject({ mtuBytes: 250, outstandingMax: 7 });
    expect(link.airtimeUs?.(250)).toBe(2896);
    link.open({ onDatagram: () => {} });
    link.send(STATION, new Uint8Array(9), () => {});
    await orchard.pass(10 * S);
    const statistics = await orchard.settled(link.statistics());
    expect(statistics).toMatchObject({ uptimeS: 10, datagramsSent: 1, datagramsLostOnLine: 0 });
    await link.close();
    await orchard.pass(S);
    expect(bridge.isInSession).toBe(false);
    await bridge.close();
  });
});
