// Captures in the usual open analyser: it reads the file as the draft says, and the script in
// packages/capture/dissector finds in every datagram what our own decoder finds.

import {
  type CapturedDatagram,
  CaptureWriter,
  readCapture,
  recordLink,
  writeCapture,
} from "@fardel/capture";
import { Endpoint } from "@fardel/core";
import { type DatagramPart, describeDatagram, dissectDatagram } from "@fardel/core/wire";
import { lossyPair, presets, VirtualClock } from "@fardel/lossy-link";
import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { ByteWriter, encodeFrame, sealDatagram } from "../../packages/core/src/wire/index.js";
import { encodeSessionless } from "../../packages/core/src/wire/sessionless-datagram.js";
import { anyFrame } from "../hostile/any-frame.js";
import { lacksCommands } from "../system-commands.js";
import { bytesOf, load } from "../vectors/read.js";
import { fieldOf, readWithTshark, type SharkDatagram, tshark } from "./tshark.js";

const HEAD = {
  link: "lossy:loss=0.1",
  mtuBytes: 250,
  startedAt: new Date("2026-04-18T03:20:00.000Z"),
  localAddress: Uint8Array.of(2, 0, 0, 0, 0, 1),
};

const received = (bytes: Uint8Array, index: number): CapturedDatagram => ({
  atUs: index * 1000,
  direction: "received",
  bytes,
});

/** As the script names a field of core's dissection. */
function nameOf({ name: part }: DatagramPart, field: string): string {
  const plain = (text: string) => text.replaceAll(/[ -]/g, "_").toLowerCase();
  if (part === field) return `fardel.${plain(part)}`;
  return `fardel.${part.startsWith("kind ") ? "other" : plain(part)}.${plain(field)}`;
}

/** What core finds, one line a field: name, place, value. */
function linesOfCore(bytes: Uint8Array): string[] {
  return dissectDatagram(bytes).flatMap((part) =>
    part.fields.map(
      ({ name, from, to, value }) =>
        `${nameOf(part, name)} ${from}+${to - from} ${typeof value === "number" ? value : `0x${value}`}`,
    ),
  );
}

const GENERATED = new Set(["fardel.text", "fardel.ack.arrived", "fardel.crc.judged"]);

/** The same of what tshark finds. */
function linesOfTshark(datagram: SharkDatagram): string[] {
  const link = datagram.find(({ name }) => name === "fardel.link.length");
  const base = Number(link?.show);
  return datagram
    .filter(({ name }) => /^fardel\.(?!link\.)/.test(name) && !GENERATED.has(name))
    .filter(({ name }) => !name.endsWith(".expert"))
    .map(({ name, pos, size, show, value }) => {
      const isNumber = /^(0x[0-9a-f]+|\d+)$/.test(show) && !BYTES.test(name);
      return `${name} ${pos - base}+${size} ${isNumber ? Number(show) : `0x${value}`}`;
    });
}

/** Fields that hold bytes, not numbers, whatever they look like. */
const BYTES =
  /\.(bytes|pad|tag|encrypted|unreadable|map|rest|fields|kind|name|prefix|salt_from)$(?<!extension\.kind|head\.kind)/;

function compare(datagrams: readonly Uint8Array[]): void {
  const read = readWithTshark(writeCapture(HEAD, datagrams.map(received)));
  expect(read).toHaveLength(datagrams.length);
  datagrams.forEach((bytes, index) => {
    const fields = read[index] ?? [];
    expect(fieldOf(fields, "fardel.text")).toBe(describeDatagram(bytes));
    expect(linesOfTshark(fields)).toEqual(linesOfCore(bytes));
  });
}

/** Every frame type, alone and in company, sealed as PROTOCOL.md says. */
function anyDatagrams(count: number): Uint8Array[] {
  const frames = fc.array(anyFrame, { maxLength: 6 });
  return fc
    .sample(fc.tuple(frames, fc.boolean(), fc.nat(3)), { numRuns: count, seed: 1 })
    .map(([some, isLong, ask]) => {
      const out = new ByteWriter(new Uint8Array(4000));
      out.u8(0x40 | (isLong ? 0x10 : 0) | ask);
      if (isLong) for (const token of [0xa1b2c3d4, 0x0f1e2d3c, 0xa1b3]) out.u32(token);
      else out.u16(0xa1b3);
      some.forEach((frame, index) => {
        encodeFrame(out, frame, index === some.length - 1);
      });
      return sealDatagram(out, 0x0f1e2d3c, 0xa1b2c3d4, 0xa1b3).slice();
    });
}

/** Datagrams of which some bytes were changed, cut off or put in. */
function mutated(datagrams: readonly Uint8Array[], seed: number): Uint8Array[] {
  const changes = fc.record({
    at: fc.nat(0xffff),
    byte: fc.nat(255),
    cut: fc.oneof({ weight: 3, arbitrary: fc.constant(0) }, fc.nat(30)),
  });
  const drawn = fc.sample(changes, { numRuns: datagrams.length, seed });
  return datagrams.map((bytes, index) => {
    const { at, byte, cut } = drawn[index]!;
    const copy = bytes.slice(0, Math.max(0, bytes.length - cut));
    if (copy.length > 0) copy[at % copy.length] = byte;
    return copy;
  });
}

/** Every step of every way of pairing. */
const pairing = load<Readonly<Record<string, string>>>("pairing").flatMap((exchange) =>
  ["offer", "answer", "proof", "check", "kept", "done"].flatMap((step) => {
    const body = exchange[step];
    if (!body) return [];
    const out = new ByteWriter(new Uint8Array(200));
    encodeSessionless(out, 3, bytesOf(body));
    return [out.bytes.slice(0, out.at)];
  }),
);

const vectors = ["heads", "frames", "refusals", "sessionless", "protected"].flatMap((name) =>
  load<{ readonly hex: string }>(name).map(({ hex }) => bytesOf(hex)),
);
const good = [...vectors, ...pairing, ...anyDatagrams(1500)];

describe.skipIf(lacksCommands("tshark"))("captures in tshark", () => {
  it("finds in all vectors what our own decoder finds", () => {
    expect(pairing.length).toBeGreaterThan(12);
    compare([...vectors, ...pairing]);
  });

  it("finds it in every frame type, with every value", () => {
    compare(good);
  });

  it("finds it in what stations say to each other on a bad channel", async () => {
    const { datagrams } = readCapture(await recordStations());
    expect(datagrams.length).toBeGreaterThan(80);
    compare(datagrams.map(({ bytes }) => bytes));
  });

  it("reads whatever bytes, as we do, without an error of the script", () => {
    const random = fc.sample(fc.uint8Array({ maxLength: 120 }), { numRuns: 2000, seed: 2 });
    // A head that is right lets the rest come into its own.
    const nearly = random.map((bytes, index) =>
      Uint8Array.of([0x41, 0x51, 0x60, 0x48, 0x58][index % 5]!, ...bytes),
    );
    compare([...random, ...nearly, ...mutated(good, 3), ...mutated(good, 4)]);
  });

  it("reads every vector that is cut anywhere, or has a length that is too large", () => {
    const bent = [...vectors, ...pairing].flatMap((bytes) =>
      [...bytes.keys()].flatMap((at) => {
        const larger = bytes.slice();
        larger[at] = 0x3f;
        const largest = bytes.slice();
        largest[at] = 0xff;
        return [bytes.slice(0, at), larger, largest];
      }),
    );
    compare(bent);
  });

  it("survives damaged pseudo-headers, and leaves strangers' captures alone", () => {
    const writer = new CaptureWriter(HEAD);
    const blocks = fc
      .sample(fc.tuple(fc.nat(40), fc.nat(255)), { numRuns: 3000, seed: 5 })
      .map(([at, byte], index) => {
        const block = writer.datagram({
          ...received(vectors[index % vectors.length]!, index),
          from: Uint8Array.of(1, 2, 3),
          fate: "lost",
        });
        const BEFORE_BYTES = 28;
        block[BEFORE_BYTES + (at % Math.max(1, block.length - BEFORE_BYTES - 16))] = byte;
        return block;
      });
    const capture = Buffer.concat([writer.begin(), ...blocks, writer.end()]);
    expect(readWithTshark(capture)).toHaveLength(blocks.length);
  });

  it("reads times, directions, interface, comments and what the link told", () => {
    const gateway = HEAD.localAddress;
    const row = Uint8Array.of(2, 0, 0, 0, 0, 0x0b);
    const bytes = vectors[0]!;
    const [sent, heard, other] = readWithTshark(
      writeCapture(HEAD, [
        {
          atUs: 52_467,
          direction: "sent",
          from: gateway,
          to: row,
          bytes,
          outcome: "refused",
          tookUs: 1280,
        },
        { atUs: 71_635, direction: "received", from: row, bytes, rssiDbm: -61.25, radioChannel: 6 },
        {
          atUs: 90_210_000_001,
          direction: "overheard",
          from: row,
          to: gateway,
          bytes,
          fate: "lost",
          comment: "höher",
        },
      ]),
    );
    const shown = (datagram: SharkDatagram | undefined, ...names: string[]) =>
      names.map((name) => fieldOf(datagram ?? [], name));
    const tool = ["frame.time_epoch", "frame.interface_name", "frame.packet_flags_direction"];
    expect(shown(sent, ...tool)).toEqual(["1776482400.052467000", HEAD.link, "0x00000002"]);
    expect(shown(heard, ...tool)).toEqual(["1776482400.071635000", HEAD.link, "0x00000001"]);
    expect(shown(other, ...tool)).toEqual(["1776572610.000001000", HEAD.link, "0x00000001"]);
    expect(shown(other, "frame.packet_flags_reception_type", "frame.comment")).toEqual([
      "4",
      "höher",
    ]);
    const link = ["direction", "outcome", "took", "rssi", "radio_channel", "from", "to", "fate"];
    const told = (datagram: SharkDatagram | undefined) =>
      shown(datagram, ...link.map((name) => `fardel.link.${name}`));
    const [a, b] = ["02:00:00:00:00:01", "02:00:00:00:00:0b"];
    expect(told(sent)).toEqual(["2", "4", "1280", undefined, undefined, a, b, undefined]);
    expect(told(heard)).toEqual(["1", "0", undefined, "-61.25", "6", b, undefined, undefined]);
    expect(told(other)).toEqual(["3", "0", undefined, undefined, undefined, b, a, "lost"]);
  });

  it("shows a line a datagram, and filters", () => {
    const [opening = new Uint8Array()] = vectors;
    const capture = writeCapture({ ...HEAD, link: "udp:127.0.0.1:7400" }, [
      { ...received(opening, 0), from: Uint8Array.of(127, 0, 0, 1, 0x1c, 0xe9) },
      { ...received(Uint8Array.of(0x51), 1), fate: "lost" },
    ]);
    const columns = ["-o", 'gui.column.format:"S","%s","P","%p","I","%i"'];
    const lines = tshark(capture, ...columns)
      .trimEnd()
      .split("\n");
    expect(lines.map((line) => line.trim())).toEqual([
      `127.0.0.1:7401 Fardel ${describeDatagram(opening)}`,
      "Fardel [lost] too-short, 1 byte: 51",
    ]);
    const names = ["-T", "fields", "-e", "frame.number", "-Y"];
    expect(tshark(capture, ...names, "fardel.malformed.expert")).toBe("2\n");
    expect(tshark(capture, ...names, "fardel.head.number == 0xa1b2")).toBe("1\n");
  });
});

/** A night in two seconds: blobs both ways, a command, readings, on a bad channel. */
async function recordStations(): Promise<Uint8Array> {
  const clock = new VirtualClock();
  const { a, b } = lossyPair({
    ...presets.reference(),
    clock,
    seed: 12,
    loss: 0.15,
    duplication: { probability: 0.05, delayUsMin: 0, delayUsMax: 5000 },
    corruption: { probability: 0.05 },
  });
  const datagrams: CapturedDatagram[] = [];
  const gateway = await Endpoint.open({
    link: recordLink(a, clock, (datagram) => datagrams.push(datagram)),
    clock,
  });
  const board = await Endpoint.open({ link: b, clock });
  board.onMessage(() => {});
  gateway.onMessage(() => {});
  const toBoard = gateway.peer(b.localAddress);
  const toGateway = board.peer(a.localAddress);
  const ended = Promise.allSettled([
    toBoard.send(new Uint8Array(9000), { way: "unordered" }),
    toBoard.send(new Uint8Array(20), { priority: "urgent" }),
    toBoard.send(new Uint8Array(2000), { way: "unacknowledged" }),
    toGateway.send(new Uint8Array(4000), { deadlineMs: 40 }),
    toGateway.send(new Uint8Array(700), { way: "latest" }),
  ]);
  await clock.run({ untilUs: 2e6 });
  await ended;
  toBoard.close();
  await clock.run({ untilUs: 3e6 });
  return writeCapture(HEAD, datagrams);
}
