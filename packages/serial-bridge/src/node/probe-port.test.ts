import { VirtualClock } from "@fardel/lossy-link";
import { expect, it } from "vitest";
import {
  type BridgeFacts,
  decodeHostFrame,
  encodeBridgeFrame,
  type HostFrame,
} from "../bridge-frames.js";
import type { BytePort } from "../byte-port.js";
import { SerialBridgeError } from "../errors.js";
import { FrameReader } from "../frame-reader.js";
import { frameBytes } from "../frame-writer.js";
import { MemoryLine } from "../memory-port.js";
import { type ProbeOptions, type ProbeResult, probePort } from "./probe-port.js";

const facts: BridgeFacts = {
  mtuBytes: 250,
  queue: 4,
  peersMax: 20,
  canBroadcast: true,
  canSetChannel: false,
  tellsAcknowledgement: true,
  channel: 6,
  airtimeFixedUs: 0,
  airtimePerByteNs: 0,
  address: Uint8Array.of(2, 0, 0, 0, 0, 1),
  name: "row station (invented)",
};

/** A line with nobody at the board's end yet. */
function makeLine() {
  const clock = new VirtualClock();
  return { clock, line: new MemoryLine({ clock }) };
}

/** What a board writes by itself, or in answer to a frame. */
interface Board {
  readonly bitRate: number;
  readonly versions?: readonly [min: number, max: number];
  readonly says?: string;
}

/** Puts a board at the end of the line. @returns the types of the frames that it got */
async function attach(line: MemoryLine, board: Board): Promise<string[]> {
  const { bitRate, versions, says } = board;
  const frames: string[] = [];
  const reader = new FrameReader("cobs", 300);
  const answer = (frame: HostFrame): void => {
    frames.push(frame.type);
    if (frame.type !== "hello-request" || !versions) return;
    const [versionMin, versionMax] = versions;
    const hello = { versionMin, versionMax, host: frame.host, bridge: 7, facts };
    const body = encodeBridgeFrame({ type: "hello", ...hello });
    port.write(frameBytes(body, { framing: "cobs", leadingDelimiter: true }), () => undefined);
  };
  const port: BytePort = await line.board.open(bitRate, {
    onBytes: (bytes) => {
      if (says !== undefined) port.write(new TextEncoder().encode(says), () => undefined);
      reader.push(bytes, {
        onFrame: (body) => {
          const decoded = decodeHostFrame(body, 6, undefined);
          if (decoded.ok) answer(decoded.value);
        },
      });
    },
    onClosed: () => undefined,
  });
  return frames;
}

async function probe(
  { line, clock }: ReturnType<typeof makeLine>,
  options: ProbeOptions = {},
): Promise<ProbeResult> {
  const probing = probePort(line.host, { ...options, clock });
  probing.catch(() => undefined);
  await clock.run();
  return probing;
}

it("finds a bridge, at the bit rate that it has, and says goodbye", async () => {
  const at = makeLine();
  const frames = await attach(at.line, { bitRate: 230_400, versions: [1, 1] });
  const bitRates = [115_200, 230_400];
  expect(await probe(at, { bitRates })).toEqual({ answer: "bridge", bitRate: 230_400, facts });
  expect(frames.at(-1)).toBe("goodbye");
  // The port is free again.
  await at.line.host.open(115_200, { onBytes: () => undefined, onClosed: () => undefined });
});

it("hears nothing where nothing is, in three seconds for each bit rate", async () => {
  const at = makeLine();
  expect(await probe(at, { bitRates: [115_200, 57_600] })).toEqual({ answer: "silent" });
  expect(at.clock.nowUs()).toBeLessThan(6_500_000);
});

it("shows the beginning of what is no frame", async () => {
  const at = makeLine();
  await attach(at.line, { bitRate: 115_200, says: `hello\n\u0001${"x".repeat(300)}` });
  const result = await probe(at, { bitRates: [115_200] });
  expect(result.answer).toBe("no-frames");
  if (result.answer !== "no-frames") return;
  expect(result.text).toBe(`hello\n.${"x".repeat(193)}`);
  expect(result.bytes).toBeGreaterThan(300);
});

it("says why a port cannot be used", async () => {
  const at = makeLine();
  at.line.obstructOpening("port-busy");
  expect(await probe(at)).toMatchObject({ answer: "failed", error: { code: "port-busy" } });
  at.line.obstructOpening(undefined);
  await attach(at.line, { bitRate: 115_200, versions: [2, 3] });
  expect(await probe(at)).toMatchObject({ answer: "failed", error: { code: "version-mismatch" } });
});

it("throws what is the caller's doing", async () => {
  const at = makeLine();
  await expect(probe(at, { bitRates: [] })).rejects.toMatchObject({ code: "invalid-option" });
  const controller = new AbortController();
  const probing = probe(at, { signal: controller.signal });
  controller.abort();
  await expect(probing).rejects.toMatchObject({ code: "aborted" });
  await expect(probing).rejects.toBeInstanceOf(SerialBridgeError);
});
