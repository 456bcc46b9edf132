import type { SendOutcome } from "@fardel/core";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { withinFourSigma } from "./confidence.js";
import type { Observation } from "./ledger.js";
import type { LossyLink, StationOptions } from "./link.js";
import { Medium } from "./medium.js";
import { airtimeUs, type MediumSettings } from "./medium-settings.js";
import { presets } from "./presets.js";
import { VirtualClock } from "./virtual-clock.js";

const address = (index: number): Uint8Array =>
  Uint8Array.of(2, 0, 0, index >> 16, index >> 8, index);

/** A medium whose stations write down what they hear. */
class Rig {
  readonly clock = new VirtualClock();
  readonly medium: Medium;
  readonly heard = new Map<number, string[]>();
  readonly outcomes: SendOutcome[] = [];

  constructor(settings: MediumSettings & { seed?: number } = {}) {
    this.medium = new Medium({ ...settings, clock: this.clock });
  }

  station(index: number, options: Omit<StationOptions, "address"> = {}): LossyLink {
    const link = this.medium.attach({ address: address(index), ...options });
    const log: string[] = [];
    this.heard.set(index, log);
    link.open({
      onDatagram: (from, [first]) => log.push(`${first} from ${from[5]} at ${this.clock.nowUs()}`),
    });
    return link;
  }

  send(from: LossyLink, to: LossyLink | Uint8Array, ...bytes: number[]): void {
    const destination = to instanceof Uint8Array ? to : to.localAddress;
    from.send(destination, Uint8Array.from(bytes), (outcome) => this.outcomes.push(outcome));
  }

  count(index: number): number {
    return this.heard.get(index)!.length;
  }
}

describe("half-duplex", () => {
  const T = 552 + 8 * 44;

  it("puts one frame after the other on air, in the order of hand-over across stations", () => {
    const rig = new Rig();
    const [one, two, three] = [rig.station(1), rig.station(2), rig.station(3)];
    rig.send(one, three, 10);
    rig.send(two, three, 20);
    rig.send(one, three, 11);
    rig.send(three, one, 30);
    rig.send(two, three, 21);
    rig.clock.runSync();
    expect(rig.heard.get(3)).toEqual([
      `10 from 1 at ${T}`,
      `20 from 2 at ${2 * T}`,
      `11 from 1 at ${3 * T}`,
      `21 from 2 at ${5 * T}`,
    ]);
    expect(rig.heard.get(1)).toEqual([`30 from 3 at ${4 * T}`]);
    expect(rig.medium.statistics.airtimeUs).toBe(5 * T);
  });

  it("never has two frames on air, whoever sends what and when", () => {
    const sends = fc.array(fc.tuple(fc.nat(3), fc.nat(250), fc.nat(4000)), { maxLength: 60 });
    const acks = fc.constantFrom(false, { repetitionsMax: 2, lossRate: 0.2, ackUs: 100 });
    fc.assert(
      fc.property(sends, acks, fc.boolean(), (list, neighbourAcks, contend) => {
        const base = contend ? presets.contention() : presets.reference();
        const rig = new Rig({ ...base, neighbourAcks, loss: 0.2, outstandingMax: 50 });
        const stations = [0, 1, 2, 3].map((index) => rig.station(index));
        const spans = new Map<number, [fromUs: number, toUs: number]>();
        let collided = 0;
        rig.medium.observe(({ frame, leftAtUs, datagram, fate }) => {
          // Frames that collide share the air, and end together.
          if (fate === "collided") collided++;
          else spans.set(frame, [leftAtUs - airtimeUs(base.airtime, datagram.length), leftAtUs]);
        });
        let atUs = 0;
        for (const [index, bytes, waitUs] of list) {
          atUs += waitUs;
          rig.clock.setTimer(atUs, () => {
            const to = stations[(index + 1) % 4]!;
            rig.send(stations[index]!, to, ...new Array<number>(bytes).fill(1));
          });
        }
        rig.clock.runSync();
        expect(rig.outcomes.length).toBe(list.length);
        expect(spans.size + collided).toBe(rig.medium.statistics.carried.datagrams);
        const inOrder = [...spans.values()].sort((a, b) => a[0] - b[0]);
        for (const [index, [fromUs]] of inOrder.slice(1).entries()) {
          expect(fromUs).toBeGreaterThanOrEqual(inOrder[index]![1]);
        }
      }),
      { numRuns: 200 },
    );
  });

  it("lets a receiver answer before the sender's next datagram only if none was waiting", () => {
    const order = (sendAtOnce: number): string[] => {
      const rig = new Rig();
      const one = rig.station(1);
      const two = rig.medium.attach({ address: address(2) });
      let answered = false;
      two.open({
        onDatagram: () => {
          if (!answered) rig.send(two, one, 99);
          answered = true;
        },
      });
      const log: string[] = [];
      rig.medium.observe(({ datagram }) => log.push(String(datagram[0])));
      for (let index = 0; index < sendAtOnce; index++) rig.send(one, two, index);
      rig.clock.runSync();
      return log;
    };
    expect(order(1)).toEqual(["0", "99"]);
    expect(order(3)).toEqual(["0", "1", "2", "99"]);
  });
});

describe("full-duplex", () => {
  it("lets both sides send at once, each one after the other", () => {
    const rig = new Rig({ duplex: "full" });
    const [one, two] = [rig.station(1), rig.station(2)];
    for (const byte of [1, 2]) {
      rig.send(one, two, byte);
      rig.send(two, one, byte);
    }
    rig.clock.runSync();
    const T = 552 + 8 * 44;
    expect(rig.heard.get(2)).toEqual([`1 from 1 at ${T}`, `2 from 1 at ${2 * T}`]);
    expect(rig.heard.get(1)).toEqual([`1 from 2 at ${T}`, `2 from 2 at ${2 * T}`]);
  });
});

describe("broadcast", () => {
  it("reaches everybody but the sender, each through a path of its own", () => {
    const rig = new Rig({ loss: 0.3 });
    const stations = Array.from({ length: 60 }, (_, index) => rig.station(index));
    const rounds = 500;
    let left = rounds;
    const next = (): void => {
      if (left-- > 0) stations[0]!.send(stations[0]!.broadcastAddress!, Uint8Array.of(7), next);
    };
    next();
    rig.clock.runSync();
    expect(rig.count(0)).toBe(0);
    let sum = 0;
    const patterns = new Set<string>();
    for (let index = 1; index < 60; index++) {
      sum += rig.count(index);
      patterns.add(rig.heard.get(index)!.join());
    }
    expect(withinFourSigma(sum, 59 * rounds, 0.7)).toBe(true);
    expect(patterns.size).toBe(59);
    const { carried, delivered, lost } = rig.medium.statistics;
    expect(carried).toEqual({ datagrams: rounds, bytes: rounds });
    expect(delivered.datagrams + lost.datagrams).toBe(59 * rounds);
  });

  it("is not disturbed by what one of its receivers does", () => {
    const rig = new Rig();
    const sender = rig.station(1);
    const log: string[] = [];
    for (let index = 2; index <= 5; index++) {
      const link = rig.medium.attach({ address: address(index) });
      link.open({
        onDatagram: (_from, datagram) => {
          log.push(`${index} heard ${datagram[0]}`);
          datagram.fill(0);
          sender.close();
          if (index === 3) link.close();
        },
      });
    }
    const datagram = Uint8Array.of(7);
    sender.send(sender.broadcastAddress!, datagram, () => datagram.fill(9));
    rig.clock.runSync();
    expect(log).toEqual(["2 heard 7", "3 heard 7", "4 heard 7", "5 heard 7"]);
  });

  it("reaches also who came later, and not who left", () => {
    const rig = new Rig();
    const one = rig.station(1);
    const two = rig.station(2);
    rig.send(one, one.broadcastAddress!, 1);
    rig.clock.runSync();
    rig.station(3);
    rig.send(one, one.broadcastAddress!, 2);
    rig.clock.runSync();
    two.close();
    rig.send(one, one.broadcastAddress!, 3);
    rig.clock.runSync();
    expect(rig.heard.get(2)!.map((line) => line[0])).toEqual(["1", "2"]);
    expect(rig.heard.get(3)!.map((line) => line[0])).toEqual(["2", "3"]);
    expect(rig.medium.statistics.unheard.datagrams).toBe(0);
  });

  it("does not exist where there is no address for it", () => {
    const rig = new Rig({ broadcastAddress: null });
    const [one] = [rig.station(1), rig.station(2)];
    expect("broadcastAddress" in one).toBe(false);
    rig.send(one, new Uint8Array(6).fill(255), 1);
    rig.clock.runSync();
    expect(rig.count(2)).toBe(0);
    expect(rig.medium.statistics.unheard.datagrams).toBe(1);
  });

  it("keeps its order with what follows to one of its receivers", () => {
    const rig = new Rig(presets.ideal());
    const [one, two] = [rig.station(1), rig.station(2)];
    rig.send(one, two, 1);
    rig.send(one, one.broadcastAddress!, 2);
    rig.send(one, two, 3);
    rig.clock.runSync();
    expect(rig.heard.get(2)!.map((line) => line[0])).toEqual(["1", "2", "3"]);
  });
});

describe("radio channels", () => {
  it("keep their stations apart, and each has its own air", () => {
    const rig = new Rig();
    const [a1, b1] = [rig.station(1, { radioChannel: 1 }), rig.station(2, { radioChannel: 1 })];
    const [a6, b6] = [rig.station(3, { radioChannel: 6 }), rig.station(4, { radioChannel: 6 })];
    rig.send(a1, b1, 1);
    rig.send(a6, b6, 2);
    rig.send(a6, b1, 3);
    rig.send(a1, a1.broadcastAddress!, 4);
    rig.clock.runSync();
    const T = 552 + 8 * 44;
    expect(rig.heard.get(2)).toEqual([`1 from 1 at ${T}`, `4 from 1 at ${2 * T}`]);
    expect(rig.heard.get(4)).toEqual([`2 from 3 at ${T}`]);
    expect(rig.clock.nowUs()).toBe(2 * T);
    expect(rig.medium.statistics.unheard.datagrams).toBe(1);
  });

  it("are told with each datagram", () => {
    const rig = new Rig();
    const sender = rig.station(1, { radioChannel: 11 });
    const receiver = rig.medium.attach({ address: address(2), radioChannel: 11 });
    const infos: unknown[] = [];
    receiver.open({ onDatagram: (_from, _datagram, info) => infos.push(info) });
    rig.send(sender, receiver, 1);
    rig.clock.runSync();
    expect(infos).toEqual([{ radioChannel: 11 }]);
  });

  it("can be changed: what was queued is gone, what comes after goes the new way", () => {
    const rig = new Rig();
    const one = rig.station(1, { radioChannel: 1 });
    const old = rig.station(2, { radioChannel: 1 });
    const other = rig.station(3, { radioChannel: 6 });
    rig.send(one, old, 1);
    rig.send(one, old, 2);
    rig.clock.runSync(100);
    one.setRadioChannel(1);
    expect(rig.outcomes).toEqual([]);
    one.setRadioChannel(6);
    expect(rig.outcomes).toEqual(["gone", "gone"]);
    expect(one.radioChannel).toBe(6);
    rig.send(one, other, 3);
    rig.send(one, old, 4);
    rig.clock.runSync();
    expect(rig.heard.get(2)).toEqual([]);
    expect(rig.heard.get(3)).toEqual([`3 from 1 at ${100 + 552 + 8 * 44}`]);
    expect(rig.outcomes).toEqual(["gone", "gone", "sent", "sent"]);
  });
});

describe("settings", () => {
  it("prevail from the medium over sender and receiver to the path", () => {
    const rig = new Rig({ loss: 1 });
    const [one, two, three] = [rig.station(1), rig.station(2), rig.station(3)];
    const all = (): number[] => {
      const before = [1, 2, 3].map((index) => rig.count(index));
      for (const from of [one, two, three]) {
        for (const to of [one, two, three]) if (from !== to) rig.send(from, to, 1);
      }
      rig.clock.runSync();
      return [1, 2, 3].map((index) => rig.count(index) - before[index - 1]!);
    };
    expect(all()).toEqual([0, 0, 0]);
    one.setImpairments({ loss: 0 }, "outgoing");
    expect(all()).toEqual([0, 1, 1]);
    three.setImpairments({ loss: 1 }, "incoming");
    expect(all()).toEqual([0, 1, 0]);
    rig.medium.setPathImpairments(address(2), address(3), { loss: 0 });
    expect(all()).toEqual([0, 1, 1]);
    rig.medium.setImpairments({});
    expect(all()).toEqual([2, 2, 1]);
    rig.medium.setPathImpairments(address(2), address(3), {});
    expect(all()).toEqual([2, 2, 0]);
  });

  it("of one path do not shift the losses of another, nor does one more station", () => {
    const losses = (disturbed: boolean): string => {
      const rig = new Rig({ loss: 0.5, outstandingMax: 200 });
      const [one, two] = [rig.station(1), rig.station(2)];
      const third = disturbed ? rig.station(3) : undefined;
      for (let index = 0; index < 100; index++) {
        if (third) rig.send(third, two, 255);
        if (third) rig.send(one, third, 255);
        rig.send(one, two, index);
      }
      rig.clock.runSync();
      return rig.heard
        .get(2)!
        .map((line) => line.split(" ")[0])
        .filter((first) => first !== "255")
        .join();
    };
    expect(losses(true)).toBe(losses(false));
  });
});

describe("a station", () => {
  it("can come back under its address, and does not suffer the same losses again", () => {
    const rig = new Rig({ loss: 0.5, outstandingMax: 64 });
    const gateway = rig.station(1);
    const patterns: string[] = [];
    for (let life = 0; life < 3; life++) {
      const board = rig.station(2);
      for (let index = 0; index < 64; index++) rig.send(gateway, address(2), index);
      rig.clock.runSync();
      patterns.push(
        rig.heard
          .get(2)!
          .map((line) => line.split(" ")[0])
          .join(),
      );
      board.close();
    }
    expect(new Set(patterns).size).toBe(3);
  });

  it("that starts anew gets what was on its way to its address", () => {
    const rig = new Rig({ delayUs: 10_000 });
    const [gateway, board] = [rig.station(1), rig.station(2)];
    rig.send(gateway, board, 1);
    rig.send(board, gateway, 2);
    rig.clock.runSync(5000);
    board.close();
    rig.station(2);
    rig.clock.runSync();
    const T = 552 + 8 * 44;
    expect(rig.heard.get(2)).toEqual([`1 from 1 at ${T + 10_000}`]);
    expect(rig.heard.get(1)).toEqual([`2 from 2 at ${2 * T + 10_000}`]);
    expect(rig.medium.statistics.delivered.datagrams).toBe(2);
  });

  it("keeps its own settings to itself when another one takes its address", () => {
    const rig = new Rig();
    const gateway = rig.station(1);
    rig.station(2, { incoming: { loss: 1 } }).close();
    rig.station(2);
    rig.send(gateway, address(2), 1);
    rig.clock.runSync();
    expect(rig.count(2)).toBe(1);
    const again = rig.station(3, { incoming: { loss: 1 } });
    rig.send(gateway, again, 1);
    rig.clock.runSync();
    again.close();
    rig.station(3);
    rig.send(gateway, address(3), 1);
    rig.clock.runSync();
    expect(rig.count(3)).toBe(1);
  });

  it("that is closed leaves a clock with nothing to do", () => {
    const rig = new Rig();
    rig.station(1, { radioOff: [[1000, 2000]] }).close();
    expect(rig.clock.runSync()).toBe("idle");
    expect(rig.clock.timerCount).toBe(0);
    expect(rig.clock.nowUs()).toBe(0);
  });

  it("is found among 10,000 without a look at the others", () => {
    const rig = new Rig();
    const gateway = rig.station(1);
    let lookedAt = 0;
    for (let index = 0; index < 10_000; index++) {
      const link = rig.medium.attach({ address: address(0x10000 + index) });
      link.open({ onDatagram: () => undefined });
      // Whoever goes through all stations asks each for its radio channel.
      Object.defineProperty(link, "radioChannel", { get: () => void lookedAt++ });
    }
    for (let index = 0; index < 1000; index++) {
      rig.send(gateway, address(0x10000 + 7 * index), 1);
      rig.clock.runSync();
    }
    expect(rig.medium.statistics.delivered.datagrams).toBe(1000);
    expect(lookedAt).toBeLessThan(10_000);
  });
});

describe("observation", () => {
  it("tells the fate of each frame at each receiver", () => {
    const rig = new Rig({ delayUs: 10, replay: { trace: "01" }, corruption: null });
    const [one, two] = [rig.station(1), rig.station(2)];
    const seen: Omit<Observation, "from" | "to" | "datagram">[] = [];
    const stop = rig.medium.observe(({ from, to, datagram, ...rest }) => {
      expect([from[5], to[5], datagram[0]]).toEqual([1, 2, rest.frame]);
      seen.push(rest);
    });
    rig.send(one, two, 1);
    rig.send(one, two, 2);
    rig.clock.runSync();
    stop();
    rig.send(one, two, 3);
    rig.clock.runSync();
    const T = 552 + 8 * 44;
    expect(seen).toEqual([
      { frame: 1, leftAtUs: T, deliveredAtUs: T + 10, fate: "delivered", copy: false },
      { frame: 2, leftAtUs: 2 * T, fate: "lost", copy: false },
    ]);
  });

  it("can be had twice by the same observer, and stopped one by one", () => {
    const rig = new Rig();
    const [one, two] = [rig.station(1), rig.station(2)];
    let seen = 0;
    const observer = (): void => {
      seen++;
    };
    const stop = rig.medium.observe(observer);
    rig.medium.observe(observer);
    rig.send(one, two, 1);
    rig.clock.runSync();
    expect(seen).toBe(2);
    stop();
    stop();
    rig.send(one, two, 1);
    rig.clock.runSync();
    expect(seen).toBe(3);
  });
});
