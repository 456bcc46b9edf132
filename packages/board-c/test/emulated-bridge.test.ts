import { createHash } from "node:crypto";
import { readFile } from "node:fs/promises";
import { fileURLToPath } from "node:url";
import { afterEach, beforeAll, beforeEach, describe, expect, it } from "vitest";
import { FardelProcess } from "../../../test/interop/fardel-process.js";
import { lacksCommands } from "../../../test/system-commands.js";
import { buildImages, EmulatedBoard } from "./emulated-board.js";
import {
  BIT_RATE,
  DEADLINE_MS,
  Endings,
  gatewayPort,
  nightLog,
  openGateway,
  stationReply,
} from "./emulated-gateway.js";
import { NoisyLine } from "./emulated-line.js";

/**
 * Two emulated boards: a bridge, which is examples/bridge.c, and a row station behind it. The radio
 * between them is a wire that loses and flips bytes, and so is the line between bridge and gateway.
 */

const TABLE = fileURLToPath(new URL("../../../examples/data/frost-watch.csv", import.meta.url));
const LINE = { flip: 1e-4, drop: 1e-4 };
/** A radio is worse: about every tenth datagram of 250 bytes is lost. */
const AIR = { flip: 4e-4, drop: 0 };
const LOG_BYTES = 49_152;
const TIMEOUT_MS = 120_000;

const lacking = lacksCommands("socat", "make", "arm-none-eabi-gcc", "qemu-system-arm");

function digest(bytes: Uint8Array): string {
  return createHash("sha256").update(bytes).digest("hex");
}

describe.skipIf(lacking)("a bridge on an emulated processor", { timeout: TIMEOUT_MS }, () => {
  const endings = new Endings();
  let bridge: EmulatedBoard;
  let row: EmulatedBoard;
  let path: string;
  let air: NoisyLine;

  beforeAll(() => buildImages());
  beforeEach(async () => {
    bridge = await EmulatedBoard.start("bridge", 11, 2);
    endings.add(() => bridge.stop());
    row = await EmulatedBoard.start("row", 12, 2);
    endings.add(() => row.stop());
    air = new NoisyLine(await bridge.port(1), await row.port(1), { ...AIR, seed: 13 });
    ({ path } = await gatewayPort(bridge, { ...LINE, seed: 14 }, endings));
  });
  afterEach(() => endings.run());

  function whileBothRun<T>(promised: Promise<T>): Promise<T> {
    return bridge.whileItRuns(row.whileItRuns(promised));
  }

  it("brings the frost table from the command to the station behind it", async () => {
    const table = await readFile(TABLE);
    const link = ["--link", `serial:${path}?baud=${BIT_RATE}`, "--to", "02:00:00:00:00:03"];
    const send = new FardelProcess([
      ...["send", TABLE, "--request", "--deadline", "60s", "--json"],
      ...link,
    ]);
    endings.add(() => send.kill());
    expect(await whileBothRun(send.ended())).toMatchObject({ code: 0 });
    expect(send.objects.at(-1)).toMatchObject({
      outcome: "answered",
      reply: { bytes: table.length, sha256: digest(table) },
    });
    expect(air.counts.flipped).toBeGreaterThan(0);
  });

  it("brings a log that is larger than the station's memory to the gateway", async () => {
    const gateway = await openGateway(path, endings);
    const peer = gateway.peer(Uint8Array.of(2, 0, 0, 0, 0, 3));
    const reply = await whileBothRun(
      peer.request(Buffer.from(`log ${LOG_BYTES}`), { deadlineMs: DEADLINE_MS }),
    );
    const log = nightLog(LOG_BYTES);
    expect(stationReply(reply)).toMatchObject({ logBytes: LOG_BYTES, logSha256: digest(log) });
    const { value } = await whileBothRun(gateway.messages().next());
    expect(digest(value?.bytes ?? new Uint8Array(0))).toBe(digest(log));
    expect(air.counts.flipped).toBeGreaterThan(0);
  });

  it("tells when nobody is at an address", async () => {
    const gateway = await openGateway(path, endings);
    const nobody = gateway.peer(Uint8Array.of(2, 0, 0, 0, 0, 9));
    const sent = nobody.send(new Uint8Array(10), { deadlineMs: 1000 });
    await expect(whileBothRun(sent)).rejects.toMatchObject({ code: "deadline-passed" });
    const report = nobody.report();
    expect(report?.datagramsSent).toBeGreaterThan(0);
    expect(report?.datagramsReceived).toBe(0);
  });
});
