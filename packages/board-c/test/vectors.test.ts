import { afterAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { bytesOf, hexOf, load } from "../../../test/vectors/read.js";
import type {
  AcceptedVector,
  DatagramVector,
  FrameJson,
  RefusedVector,
} from "../../../test/vectors/vector.js";
import type { CProgram } from "./support/c-program.js";
import { nativeProgram } from "./support/native-program.js";
import { wasmProgram } from "./support/wasm-program.js";

/** Where a datagram is dropped, by its number in `harness/wire-harness.c`. */
const VERDICTS = ["", "head", "crc", "frames", "rule"] as const;
/** Totals beyond 32 bits are as good as this one: no board takes them. */
const TOTAL_MAX = 2 ** 32 - 1;

interface CFrame {
  readonly type: number;
  readonly channel: number;
  readonly flags: number;
  readonly value: number;
  readonly number: number;
  readonly largest: number;
  readonly total: number;
  readonly crc: number;
  readonly bytes: Uint8Array;
}

function readFrame(told: Uint8Array): CFrame {
  const view = new DataView(told.buffer, told.byteOffset);
  const [type, channel, flags, value, number, largest, total, crc] = Array.from(
    { length: 8 },
    (_, index) => view.getUint32(4 * index),
  ) as [number, number, number, number, number, number, number, number];
  return { type, channel, flags, value, number, largest, total, crc, bytes: told.subarray(32) };
}

function hex32(value: number): string {
  return value.toString(16).padStart(8, "0");
}

/** A frame of the C code, as the vectors have it; PROTOCOL.md, section 3. */
function frameJson(frame: CFrame): FrameJson {
  const { type, channel, flags, value, number, largest, total } = frame;
  const [bytes, crc32] = [hexOf(frame.bytes), hex32(frame.crc)];
  switch (type) {
    case 0x10: {
      const [prompt, truncated] = [(flags & 0x80) !== 0, (flags & 0x40) !== 0];
      const map = bytes;
      return {
        type: "ack",
        ...{ channel, largest, next: number, window: value, prompt, truncated, map },
      };
    }
    case 0x20:
      return { type: "skip", channel, next: number };
    case 0x30:
      return { type: "hello", version: channel, mtuBytes: number, window: value };
    case 0x40:
      return { type: "stop", channel, first: number, reason: value };
    case 0x50:
      return { type: "close", reason: value };
    case 0x51:
      return { type: "no-session" };
    case 0x60: {
      const fragmented = (flags & 4) !== 0;
      const last = !fragmented || (flags & 0x80) !== 0;
      const [id, index] = fragmented ? [number, value] : [0, 0];
      return { type: "loose", lane: channel, fragmented, id, index, last, crc32, bytes };
    }
    case 0x70:
      return { type: "extension", kind: channel };
    default: {
      const [first, last] = [(flags & 0x40) !== 0, (flags & 0x20) !== 0];
      return { type: "data", channel, fragment: number, first, last, total, crc32, bytes };
    }
  }
}

/** What the C code need not tell: it passes extensions over, and large totals are all alike. */
function expected(frame: FrameJson): FrameJson {
  if (frame.type === "extension") return { type: "extension", kind: frame.kind as number };
  if (frame.type !== "data") return frame;
  return { ...frame, total: Math.min(frame.total as number, TOTAL_MAX) };
}

function take(program: CProgram, vector: DatagramVector, datagram: Uint8Array) {
  const unsent = bytesOf(`${vector.tokenTo}${vector.tokenFrom}${vector.number}`);
  const input = Uint8Array.from([...unsent, ...datagram]);
  const frames: FrameJson[] = [];
  const result = program.call(
    (_what, _value, told) => {
      frames.push(frameJson(readFrame(told)));
      return 0;
    },
    "wire_take",
    [input.length],
    input,
  );
  return { refusedBy: VERDICTS[result], frames };
}

const accepted = [...load<AcceptedVector>("heads"), ...load<AcceptedVector>("frames")];
const refused = load<RefusedVector>("refusals");

interface ChecksumVector {
  readonly name: string;
  readonly section: string;
  readonly hex: string;
  readonly crc16: string;
  readonly crc32: string;
}

interface VarintVector {
  readonly name: string;
  readonly section: string;
  readonly hex: string;
  readonly value: number;
  readonly canonical: boolean;
}

const BACKENDS: readonly (readonly [string, boolean, () => CProgram])[] = [
  ["as WebAssembly", lacksCommands("clang", "wasm-ld"), () => wasmProgram("wire")],
  ["with sanitizers", lacksCommands("gcc"), () => nativeProgram("wire", "sanitized")],
  [
    "on a big-endian processor",
    lacksCommands("powerpc-linux-gnu-gcc", "qemu-ppc"),
    () => nativeProgram("wire", "big-endian"),
  ],
];

for (const [name, isLeftOut, open] of BACKENDS) {
  describe.skipIf(isLeftOut)(`the codec in C, ${name}`, () => {
    let opened: CProgram | undefined;
    const program = () => {
      opened ??= open();
      return opened;
    };
    afterAll(() => opened?.close());

    it.each(accepted)("takes $section $name", (vector) => {
      const { frames } = vector;
      expect(take(program(), vector, bytesOf(vector.hex))).toEqual({
        refusedBy: "",
        frames: frames.map(expected),
      });
    });

    it.each(accepted)("drops $section $name with a byte missing or added", (vector) => {
      const datagram = bytesOf(vector.hex);
      const dropped = (bytes: Uint8Array) => take(program(), vector, bytes).refusedBy;
      expect(dropped(datagram.subarray(0, -1))).not.toBe("");
      for (const added of [0, 1, 0x55, 0xff])
        expect(dropped(Uint8Array.from([...datagram, added]))).toBe("crc");
    });

    it.each(refused)("drops $section $name", (vector) => {
      const { refusedBy } = take(program(), vector, bytesOf(vector.hex));
      expect(refusedBy).toBe(vector.refusedBy);
    });

    it.each(load<ChecksumVector>("checksums"))("checks $section $name", (vector) => {
      const bytes = bytesOf(vector.hex);
      const call = (name: string, ...ints: number[]) =>
        program().call(() => 0, name, [bytes.length, ...ints], bytes) >>> 0;
      expect(call("wire_crc16").toString(16).padStart(4, "0")).toBe(vector.crc16);
      expect(hex32(call("wire_crc32"))).toBe(vector.crc32);
      for (const first of [0, 1, bytes.length >> 1].filter((each) => each <= bytes.length))
        expect(hex32(call("wire_crc32_in_parts", first))).toBe(vector.crc32);
    });

    it.each(load<VarintVector>("varints"))("reads and writes $section $name", (vector) => {
      const bytes = bytesOf(vector.hex);
      let told = new Uint8Array();
      const listen = (_what: number, _value: number, given: Uint8Array) => {
        told = Uint8Array.from(given);
        return 0;
      };
      const result = program().call(listen, "wire_read_total", [bytes.length], bytes);
      expect(result).toBe(vector.value < 0 ? -1 : 0);
      if (vector.value < 0) return;
      expect(readFrame(told).total).toBe(Math.min(vector.value, TOTAL_MAX));
      if (!vector.canonical || vector.value >= 2 ** 30) return;
      expect(program().call(listen, "wire_put_varint", [vector.value])).toBe(1);
      expect(hexOf(told)).toBe(vector.hex);
    });
  });
}
