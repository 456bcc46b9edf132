import { Endpoint } from "@fardel/core";
import { Medium, type MediumSettings, presets, Random, VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import type { BytePort, PortSource } from "../byte-port.js";
import { SerialBridgeError } from "../errors.js";
import { FrameReader } from "../frame-reader.js";
import { MemoryLine } from "../memory-port.js";
import { SerialBridgeLink } from "../serial-bridge-link.js";
import { Bridge, type BridgeOptions } from "./bridge.js";
import type { BridgeRadio } from "./bridge-radio.js";
import { linkRadio } from "./link-radio.js";
import { station } from "./scripted-host.js";

const MS = 1000;
const S = 1_000_000;

interface BenchOptions extends Partial<BridgeOptions> {
  readonly medium?: MediumSettings;
  readonly peersMax?: number;
}

/** A line, a bridge at its end, and a medium behind it, in virtual time. */
async function bench({ medium: settings, peersMax = 20, ...options }: BenchOptions = {}) {
  const clock = new VirtualClock();
  const line = new MemoryLine({ clock });
  const medium = new Medium({ ...presets.reference(), ...settings, clock });
  const numbers = new Random(1);
  const stream = numbers.stream("bridge");
  const radio = linkRadio(medium.attach({ address: station(0x100) }), { peersMax });
  const settled = async <T>(promise: Promise<T>): Promise<T> => {
    let isSettled = false;
    const note = () => {
      isSettled = true;
    };
    promise.then(note, note);
    await clock.run({ until: () => isSettled, untilUs: clock.nowUs() + 600 * S });
    if (!isSettled) throw new Error("Not settled after 600 s.");
    return promise;
  };
  const start = (more: Partial<BridgeOptions> = {}) =>
    settled(
      Bridge.start({
        source: line.board,
        radio,
        clock,
        bitRate: 921_600,
        random: () => stream.uint32(),
        ...options,
        ...more,
      }),
    );
  const draws = numbers.stream("host");
  const connect = () =>
    settled(
      SerialBridgeLink.connect(line.host, {
        clock,
        bitRate: 921_600,
        random: () => draws.uint32(),
      }),
    );
  const pass = (durationUs: number) => clock.run({ untilUs: clock.nowUs() + durationUs });
  return { clock, line, medium, radio, start, connect, settled, pass };
}

/** Bytes of the board as they come to a host that says nothing. */
async function listen(line: MemoryLine): Promise<{ port: BytePort; bytes: number[] }> {
  const bytes: number[] = [];
  const port = await line.host.open(921_600, {
    onBytes: (some) => bytes.push(...some),
    onClosed: () => {},
  });
  return { port, bytes };
}

describe("a bridge of a link", () => {
  it("says of itself what it was told", async () => {
    const { start, connect } = await bench();
    await start({ queue: 7, name: "Reihe 3 – Brücke" });
    const link = await connect();
    expect(link.bridge).toEqual({
      mtuBytes: 250,
      queue: 7,
      peersMax: 20,
      canBroadcast: true,
      canSetChannel: false,
      tellsAcknowledgement: false,
      channel: 0,
      airtimeFixedUs: 896,
      airtimePerByteNs: 8000,
      address: station(0x100),
      name: "Reihe 3 – Brücke",
    });
  });

  it("carries messages of endpoints both ways, and counts what it does", async () => {
    const { start, connect, clock, medium, settled } = await bench();
    const bridge = await start();
    const link = await connect();
    const gateway = await settled(Endpoint.open({ link, clock, random: () => 7 }));
    const board = await settled(
      Endpoint.open({ link: medium.attach({ address: station(1) }), clock, random: () => 8 }),
    );
    const arrived: number[] = [];
    board.onMessage(({ bytes }) => arrived.push(bytes.length));
    gateway.onMessage(({ bytes }) => arrived.push(-bytes.length));
    await settled(gateway.peer(station(1)).send(new Uint8Array(10_000)));
    await settled(board.peer(station(0x100)).send(new Uint8Array(10_000)));
    expect(arrived).toEqual([10_000, -10_000]);
    const told = await settled(link.statistics());
    const { framesReceived, ...others } = bridge.statistics;
    expect(told).toEqual({ ...others, framesReceived });
    expect(told.datagramsSent).toBeGreaterThan(40);
    expect(told.datagramsHeard).toBeGreaterThan(40);
  });

  it("sends to 200 boards through a table of 20: each datagram arrives, no rule is broken", async () => {
    const { start, connect, clock, medium, settled } = await bench();
    const bridge = await start({ queue: 8 });
    const heard = Array.from({ length: 200 }, (_, index) => {
      const marks: number[] = [];
      const board = medium.attach({ address: station(index) });
      board.open({ onDatagram: (_from, bytes) => marks.push(bytes[0]!) });
      return marks;
    });
    const link = await connect();
    link.open({ onDatagram: () => {} });
    const random = new Random(4);
    const expected = heard.map((): number[] => []);
    const outcomes: string[] = [];
    let left = 3000;
    await settled(
      new Promise<void>((resolve) => {
        const send = () => {
          if (left === 0) {
            if (outcomes.length === 3000) {
              resolve();
              clock.wakeWaiters();
            }
            return;
          }
          left--;
          const index = random.integer(0, 199);
          const mark = random.integer(0, 255);
          expected[index]!.push(mark);
          link.send(station(index), Uint8Array.of(mark), (outcome) => {
            outcomes.push(outcome);
            send();
          });
        };
        for (let count = 0; count < 8; count++) send();
      }),
    );
    expect(new Set(outcomes)).toEqual(new Set(["sent"]));
    expect(heard).toEqual(expected);
    expect(bridge.statistics.peersPutOut).toBeGreaterThan(2000);
  });

  it("does not let what was heard hold up an outcome by more than a frame", async () => {
    const { start, connect, medium, clock, pass } = await bench({ medium: presets.ideal() });
    await start({ heardMax: 64 });
    const board = medium.attach({ address: station(1) });
    board.open({ onDatagram: () => {} });
    const link = await connect();
    let received = 0;
    link.open({ onDatagram: () => received++ });
    for (let count = 0; count < 40; count++) {
      board.send(station(0x100), new Uint8Array(1500), () => {});
    }
    let atUs = 0;
    const sinceUs = clock.nowUs();
    link.send(station(1), new Uint8Array(10), () => {
      atUs = clock.nowUs();
    });
    await pass(2 * S);
    expect(received).toBe(40);
    // 16 ms for a frame, 4 ms ahead, and its own two ways.
    expect(atUs - sinceUs).toBeLessThan(24 * MS);
    expect(atUs).toBeGreaterThan(0);
  });

  it("passes on lines of text", async () => {
    const { start, connect, pass } = await bench();
    const bridge = await start();
    const link = await connect();
    const lines: unknown[] = [];
    link.on("log", (line) => lines.push(line));
    bridge.log("row 3: fan stands still", 4);
    bridge.log("fine again");
    await pass(50 * MS);
    expect(lines).toEqual([
      { level: 4, text: "row 3: fan stands still" },
      { level: 6, text: "fine again" },
    ]);
    expect(() => bridge.log("loud", 8)).toThrow("level is 8: give a whole number from 0 to 7.");
  });

  it("sets the channel of its radio", async () => {
    const { start, connect, medium, settled } = await bench();
    const link = medium.attach({ address: station(0x101), radioChannel: 6 });
    const radio = linkRadio(link, {
      channel: 6,
      setChannel: (channel) => {
        if (channel > 13) return "not-allowed";
        link.setRadioChannel(channel);
        return "set";
      },
    });
    await start({ radio });
    const host = await connect();
    await settled(host.setRadioChannel(11));
    expect([link.radioChannel, host.bridge.channel]).toEqual([11, 11]);
    await expect(settled(host.setRadioChannel(14))).rejects.toMatchObject({
      code: "channel-refused",
    });
  });

  it("leaves no timer behind and closes its radio", async () => {
    const { start, clock, pass, medium, connect } = await bench();
    const bridge = await start();
    const link = await connect();
    await pass(1 * S);
    await bridge.close();
    await bridge.close();
    await link.close();
    await pass(60 * S);
    expect(clock.timerCount).toBe(0);
    medium.attach({ address: station(0x100) });
  });
});

describe("a restart", () => {
  it("makes another incarnation: the host notices and goes on", async () => {
    const { start, connect, pass } = await bench();
    const bridge = await start();
    const link = await connect();
    const chatter: string[] = [];
    link.on("chatter", ({ text }) => chatter.push(text));
    link.open({ onDatagram: () => {} });
    const outcomes: string[] = [];
    link.send(station(1), new Uint8Array(200), (outcome) => outcomes.push(outcome));
    await pass(1 * MS);
    bridge.restart(new TextEncoder().encode("boot: reset cause 4\r\n"));
    await pass(500 * MS);
    expect(outcomes).toEqual(["gone"]);
    expect(chatter).toEqual(["boot: reset cause 4"]);
    expect(link.counts.restarts).toBe(1);
    expect(link.status).toBe("up");
    expect(bridge.statistics.uptimeS).toBe(0);
    link.send(station(1), new Uint8Array(200), (outcome) => outcomes.push(outcome));
    await pass(500 * MS);
    expect(outcomes).toEqual(["gone", "sent"]);
  });

  it("says HELLO in a frame of its own, also when boot chatter leaves on a busy line", async () => {
    const { start, connect, pass } = await bench();
    const bridge = await start();
    const link = await connect();
    for (let count = 0; count < 5; count++) {
      bridge.log("a line of text that keeps the line busy while the board restarts");
      bridge.restart(new TextEncoder().encode("boot"));
      await pass(100 * MS);
      // By its HELLO alone: the host has said nothing meanwhile.
      expect(link.counts.restarts).toBe(count + 1);
    }
  });

  it.each([0, 7])("never bears the number of the life before, nor 0: always %i", async (drawn) => {
    const { start, line, pass } = await bench();
    const { bytes } = await listen(line);
    const bridge = await start({ random: () => drawn });
    for (let count = 0; count < 3; count++) {
      await pass(50 * MS);
      bridge.restart();
    }
    await pass(50 * MS);
    const bodies: number[][] = [];
    const reader = new FrameReader("cobs", 202);
    reader.push(Uint8Array.from(bytes), { onFrame: (body) => bodies.push([...body]) });
    const numbers = bodies.map((body) => body.slice(7, 11).join());
    expect(numbers).toHaveLength(4);
    for (const [index, number] of numbers.entries()) {
      expect(number).not.toBe("0,0,0,0");
      expect(number).not.toBe(numbers[index - 1]);
    }
  });

  it("at any moment: what the radio still says of the life before is not heard", async () => {
    const { start, connect, pass } = await bench();
    const bridge = await start();
    const link = await connect();
    link.open({ onDatagram: () => {} });
    let outcomes = 0;
    for (let count = 0; count < 60; count++) {
      for (let index = 0; index < 3; index++) {
        link.send(station(index), new Uint8Array(200), () => outcomes++);
      }
      await pass(137 * count);
      bridge.restart();
      await pass(300 * MS);
    }
    expect(outcomes).toBe(180);
    expect(link.status).toBe("up");
  });
});

describe("a bridge that hangs", () => {
  it("says and does nothing until it is restarted", async () => {
    const { start, connect, pass } = await bench();
    const bridge = await start();
    const link = await connect();
    link.open({ onDatagram: () => {} });
    bridge.hang();
    const { framesReceived } = bridge.statistics;
    const outcomes: string[] = [];
    link.send(station(1), new Uint8Array(20), (outcome) => outcomes.push(outcome));
    await pass(10 * S);
    expect([link.status, outcomes]).toEqual(["down", ["gone"]]);
    expect(bridge.statistics).toMatchObject({ framesReceived, datagramsSent: 0 });
    bridge.restart();
    await pass(10 * S);
    expect(link.status).toBe("up");
  });
});

describe("its port", () => {
  it("is opened again when it is gone, and waits longer each time", async () => {
    const { clock, line, start, connect, pass } = await bench();
    const openings: number[] = [];
    let isThere = true;
    const source: PortSource = {
      label: "a port",
      open: (bitRate, handlers) => {
        openings.push(clock.nowUs() / MS);
        if (isThere) return line.board.open(bitRate, handlers);
        return Promise.reject(new SerialBridgeError("port-not-found", "It is not there."));
      },
    };
    await start({ source });
    const link = await connect();
    isThere = false;
    const since = clock.nowUs() / MS;
    line.pull("both");
    await pass(20 * S);
    const waits = openings.slice(1).map((at, index) => at - (index ? openings[index]! : since));
    expect(waits.map(Math.round)).toEqual([250, 500, 1000, 2000, 4000, 5000, 5000]);
    isThere = true;
    line.plug();
    await pass(10 * S);
    expect(link.status).toBe("up");
    // From the beginning again.
    line.pull("both");
    line.plug();
    await pass(251 * MS);
    expect(openings).toHaveLength(10);
  });

  it("must be there at first, and the radio too", async () => {
    const { line, start, settled } = await bench();
    await settled(line.board.open(9600, { onBytes() {}, onClosed() {} }));
    await expect(start()).rejects.toMatchObject({ code: "port-busy" });
    const other = new MemoryLine({ clock: new VirtualClock() });
    const broken: BridgeRadio = {
      mtuBytes: 250,
      address: station(1),
      canBroadcast: false,
      peersMax: 0,
      tellsAcknowledgement: false,
      channel: 0,
      airtimeFixedUs: 0,
      airtimePerByteNs: 0,
      open: () => Promise.reject(new Error("The radio is off.")),
      addPeer() {},
      removePeer() {},
      transmit() {},
      reset() {},
      close() {},
    };
    await expect(start({ source: other.board, radio: broken })).rejects.toThrow("is off");
    // It was given back.
    await other.board.open(9600, { onBytes() {}, onClosed() {} });
  });

  it("is given back when the bridge is closed while it opens, and not opened after that", async () => {
    const { clock, line, start, connect, pass } = await bench();
    let openings = 0;
    const source: PortSource = {
      label: "a slow port",
      open: async (bitRate, handlers) => {
        openings++;
        if (openings > 1) await clock.delay(1 * S);
        return line.board.open(bitRate, handlers);
      },
    };
    const bridge = await start({ source });
    await connect();
    line.pull("both");
    await pass(500 * MS);
    expect(openings).toBe(2);
    await bridge.close();
    await pass(60 * S);
    expect(openings).toBe(2);
    await line.board.open(9600, { onBytes() {}, onClosed() {} });
  });

  it("is not opened when the bridge is closed before", async () => {
    const { clock, line, start, pass } = await bench();
    let openings = 0;
    const source: PortSource = {
      label: "a port",
      open: (bitRate, handlers) => {
        openings++;
        return line.board.open(bitRate, handlers);
      },
    };
    const bridge = await start({ source });
    line.pull("both");
    await pass(100 * MS);
    await bridge.close();
    await pass(60 * S);
    expect([openings, clock.timerCount]).toEqual([1, 0]);
  });

  it("may have no bit rate: frames go out all the same", async () => {
    const { line, start, connect, settled } = await bench();
    const source: PortSource = {
      label: "a stream",
      open: async (bitRate, handlers) => {
        const port = await line.board.open(bitRate, handlers);
        return {
          bitRate: undefined,
          write: (bytes, done) => port.write(bytes, done),
          close: () => port.close(),
        };
      },
    };
    const bridge = await start({ source });
    const link = await connect();
    const told = await settled(link.statistics());
    expect(told.framesReceived).toBe(bridge.statistics.framesReceived);
  });
});

describe("wrong options", () => {
  it.each([
    [{ queue: 0 }, "queue is 0: give a whole number from 1 to 64."],
    [{ queue: 65 }, "queue is 65: give a whole number from 1 to 64."],
    [{ heardMax: 1.5 }, "heardMax is 1.5: give a whole number from 1 to 1024."],
    [{ framing: "hdlc" as "slip" }, 'framing is hdlc: give "cobs" or "slip".'],
    [{ name: "ü".repeat(33) }, "name has 66 bytes of UTF-8: give at most 64."],
  ])("%j", async (options, message) => {
    const { start } = await bench();
    await expect(start(options)).rejects.toMatchObject({ code: "invalid-option", message });
  });
});
