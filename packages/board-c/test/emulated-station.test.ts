import { createHash } from "node:crypto";
import { mkdtemp, readFile, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { FardelProcess } from "../../../test/interop/fardel-process.js";
import type { Noise } from "../../../test/interop/noisy-port.js";
import { lacksCommands } from "../../../test/system-commands.js";
import { buildImages, EmulatedBoard } from "./emulated-board.js";
import {
  BIT_RATE,
  DEADLINE_MS,
  Endings,
  gatewayPort,
  nightLog,
  openGateway,
  type StationReply,
  stationReply,
} from "./emulated-gateway.js";

/** Bridge and station on one emulated board, at a line that loses and flips bytes. */

const TABLE = fileURLToPath(new URL("../../../examples/data/frost-watch.csv", import.meta.url));
const STATION = "02:00:00:00:00:02";
/** About every 13th frame of 250 bytes is damaged. */
const NOISE: Omit<Noise, "seed"> = { flip: 2e-4, drop: 1e-4 };
/** Three times the RAM of the board, which is 16 kB. */
const LOG_BYTES = 49_152;
/** Processes take a second each to start, and far longer on a busy machine. */
const TIMEOUT_MS = 120_000;
/** Of the RAM of the board, above its variables. */
const STACK_BYTES_MAX = 2048;

const lacking = lacksCommands("socat", "make", "arm-none-eabi-gcc", "qemu-system-arm");

function digest(bytes: Uint8Array): string {
  return createHash("sha256").update(bytes).digest("hex");
}

describe.skipIf(lacking)("a station on an emulated processor", { timeout: TIMEOUT_MS }, () => {
  let folder: string;
  const endings = new Endings();

  beforeAll(async () => {
    buildImages();
    folder = await mkdtemp(join(tmpdir(), "fardel-emulated-"));
  });
  afterEach(() => endings.run());
  afterAll(() => rm(folder, { recursive: true, force: true }));

  async function station(seed: number) {
    const board = await EmulatedBoard.start("station", seed, 1);
    endings.add(() => board.stop());
    return { board, ...(await gatewayPort(board, { ...NOISE, seed }, endings)) };
  }

  function fardel(args: readonly string[], path: string, input?: string): FardelProcess {
    const link = `serial:${path}?baud=${BIT_RATE}`;
    const one = new FardelProcess([...args, "--json", "--link", link], {
      cwd: folder,
      ...(input !== undefined && { input: Buffer.from(input) }),
    });
    endings.add(() => one.kill());
    return one;
  }

  /** What the command printed last, if it did its work. */
  async function result(one: FardelProcess): Promise<Record<string, unknown>> {
    expect(await one.ended()).toMatchObject({ code: 0 });
    return one.objects.at(-1) ?? {};
  }

  it("gets the frost table from the command, and tells its digest", async () => {
    const { board, path, line } = await station(1);
    const table = await readFile(TABLE);
    const send = ["send", TABLE, "--request", "--to", STATION, "--deadline", "60s"];
    const { outcome, reply } = await board.whileItRuns(result(fardel(send, path)));
    expect(outcome).toBe("answered");
    expect(reply).toMatchObject({ bytes: table.length, sha256: digest(table) });
    const { stack } = reply as StationReply;
    expect(stack).toBeGreaterThan(100);
    expect(stack).toBeLessThan(STACK_BYTES_MAX);
    // The line was as bad as it was meant to be.
    expect(line.counts.bytes).toBeGreaterThan(table.length);
    expect(line.counts.lost).toBeGreaterThan(0);
    expect(line.counts.flipped).toBeGreaterThan(0);
  });

  it("sends a log that is larger than its memory, from a callback, to the command", async () => {
    const { board, path, line } = await station(5);
    const ask = ["send", "-", "--request", "--to", STATION, "--deadline", "60s"];
    const { reply } = await board.whileItRuns(result(fardel(ask, path, `log ${LOG_BYTES}`)));
    const log = nightLog(LOG_BYTES);
    expect(reply).toMatchObject({ logBytes: LOG_BYTES, logSha256: digest(log) });
    const receive = fardel(["receive", "inbox", "--once"], path);
    await board.whileItRuns(result(receive));
    const message = receive.objects.find(({ type }) => type === "message");
    expect(message).toMatchObject({ from: STATION, bytes: LOG_BYTES, sha256: digest(log) });
    const file = await readFile(join(folder, String(message?.file)));
    expect(file.equals(log)).toBe(true);
    expect(line.counts.lost).toBeGreaterThan(0);
  });

  it("takes tables and sends its log at the same time", async () => {
    const { board, path } = await station(6);
    const gateway = await openGateway(path, endings);
    const peer = gateway.peer(Uint8Array.of(2, 0, 0, 0, 0, 2));
    const table = await readFile(TABLE);
    const asked = await board.whileItRuns(
      peer.request(Buffer.from(`log ${LOG_BYTES}`), { deadlineMs: DEADLINE_MS }),
    );
    expect(stationReply(asked).logSha256).toBe(digest(nightLog(LOG_BYTES)));
    let hasLog = false;
    const logCame = gateway
      .messages()
      .next()
      .then(({ value }) => {
        hasLog = true;
        return value?.bytes;
      });
    let tables = 0;
    while (!hasLog) {
      // Two at a time: the board takes one after the other.
      const sent = [1, 2].map((more) => table.subarray(tables + more));
      const replies = await board.whileItRuns(
        Promise.all(sent.map((bytes) => peer.request(bytes, { deadlineMs: DEADLINE_MS }))),
      );
      expect(replies.map(stationReply)).toMatchObject(
        sent.map((bytes) => ({ bytes: bytes.length, sha256: digest(bytes) })),
      );
      tables += 2;
    }
    expect(digest((await logCame) ?? new Uint8Array(0))).toBe(digest(nightLog(LOG_BYTES)));
    expect(tables).toBeGreaterThan(2);
  });

  it("refuses what it has no use for", async () => {
    const { board, path } = await station(4);
    const gateway = await openGateway(path, endings);
    const peer = gateway.peer(Uint8Array.of(2, 0, 0, 0, 0, 2));
    const sent = peer.send(new Uint8Array(1000), { deadlineMs: DEADLINE_MS });
    await expect(board.whileItRuns(sent)).rejects.toMatchObject({ code: "refused-by-peer" });
    const reply = await board.whileItRuns(peer.request(Uint8Array.of(7)));
    expect(stationReply(reply)).toMatchObject({ bytes: 1, sha256: digest(Uint8Array.of(7)) });
  });
});
