import { mkdtemp, readFile, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { Endpoint, FardelError } from "@fardel/core";
import { formatAddress, lossyPair } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import type { PairedLink } from "../paired/paired-boards.js";
import { passTime, runToEnd, TestContext } from "../test-context.js";
import { Monitor, type MonitorSettings } from "./monitor-run.js";

const LINK = "lossy:boards=3,every=200ms,distance=40,loss=0.1";

async function monitor(args: readonly string[], isTerminal = false) {
  const context = new TestContext({ isTerminal });
  const exitCode = await runToEnd(["monitor", "--link", LINK, ...args], context);
  return { context, exitCode };
}

describe("fardel monitor", () => {
  it("prints a line for each peer and interval where no terminal is", async () => {
    const { context, exitCode } = await monitor(["--for", "3s"]);
    expect(exitCode).toBe(0);
    const lines = context.out.split("\n").slice(0, -1);
    expect(lines).toHaveLength(9);
    for (const line of lines) {
      expect(line).toMatch(/^ +[123]\.0 s {2}02:00:00:00:00:0[234], session open, silent for /);
      expect(line).toContain("protection none");
    }
    expect(context.err).toMatch(
      /^Watching: simulated channel .*\n\d+ messages received, .* bytes\.\n$/,
    );
  });

  it("counts every message and the size of the last", async () => {
    const { context } = await monitor(["--json", "--for", "2s", "--interval", "500ms"]);
    const objects = context.objects;
    expect(objects.map(({ type }) => type)).toEqual(["peers", "peers", "peers", "peers", "result"]);
    const last = objects[3] as { peers: { messagesReceived: number; lastMessageBytes: number }[] };
    expect(last.peers).toHaveLength(3);
    const received = last.peers.reduce((sum, peer) => sum + peer.messagesReceived, 0);
    expect(objects[4]).toMatchObject({ messages: received });
    expect(received).toBeGreaterThan(20);
    for (const peer of last.peers) expect(peer.lastMessageBytes).toBeGreaterThan(10);
  });

  it("looks once", async () => {
    const { context, exitCode } = await monitor(["--once", "--json", "--sort", "peer"]);
    expect(exitCode).toBe(0);
    expect(context.objects.map(({ type }) => type)).toEqual(["peers", "result"]);
    const [view] = context.objects as [{ peers: { peer: string }[] }];
    expect(view.peers.map(({ peer }) => peer.slice(-2))).toEqual(["02", "03", "04"]);
  });

  it("draws a table in place on a terminal", async () => {
    const { context } = await monitor(["--for", "2s"], true);
    const drawings = context.out.split("\u001b[J").slice(0, -1);
    expect(drawings).toHaveLength(3);
    expect(drawings[0]).toContain("Nobody was heard yet.");
    expect(drawings[2]?.startsWith("\u001b[5A\r    2.0 s  3 peers")).toBe(true);
    for (const line of context.out.split("\n")) {
      const shown = line.split("\r").at(-1)?.split("\u001b[K")[0] ?? "";
      expect(shown.replaceAll("\u001b[J", "").length).toBeLessThan(80);
    }
  });

  it("ends at Ctrl-C with what was reached", async () => {
    const context = new TestContext();
    const running = runToEnd(["monitor", "--link", LINK], context);
    await context.said("    2.0 s");
    context.interrupt();
    await expect(running).resolves.toBe(130);
    expect(context.err).toMatch(/messages received/);
  });

  it("records what passes", async () => {
    const folder = await mkdtemp(join(tmpdir(), "fardel-monitor-"));
    const record = join(folder, "night.jsonl");
    await monitor(["--once", "--record", record]);
    expect((await readFile(record, "utf8")).split("\n").length).toBeGreaterThan(10);
    await rm(folder, { recursive: true });
  });

  it.each([
    [["--once", "--for", "1s"], "either --once or --for"],
    [["--interval", "1ms"], "Give 100ms or more"],
    [["--peers", "02:00:00:00:00:02,"], "with commas"],
    [["--peers", "02:00"], "02:00 is no address on this link"],
    [["--sort", "beauty"], "Allowed choices"],
  ])("refuses %j", async (args, words) => {
    const { context, exitCode } = await monitor(args);
    expect(exitCode).toBe(2);
    expect(context.err).toContain(words);
  });
});

/** A monitor on one end of a channel, a board on the other. */
async function withBoard(changes: Partial<MonitorSettings>) {
  const context = new TestContext();
  const { clock } = context;
  const { a, b } = lossyPair({ clock });
  const open: PairedLink = {
    endpointOptions: {},
    nameOf: formatAddress,
    link: a,
    describe: "a test",
    parseAddress: async () => b.localAddress,
    formatAddress,
    close: async () => a.close(),
  };
  const board = await Endpoint.open({ link: b, clock });
  const settings: MonitorSettings = {
    intervalUs: 1_000_000,
    forUs: 5_000_000,
    sort: "heard",
    form: "json",
    watched: [b.localAddress],
    ping: false,
    ...changes,
  };
  const monitorRun = new Monitor(open, settings, context);
  return { context, clock, a, b, board, monitorRun };
}

describe("Monitor", () => {
  it("shows a watched peer that was never heard, and sends it nothing", async () => {
    const { context, clock, monitorRun, a, board } = await withBoard({});
    await passTime(clock, monitorRun.run());
    expect(context.objects[0]).toMatchObject({
      peers: [{ peer: "02:00:00:00:00:0b", phase: "none" }],
    });
    expect(a.statistics.outcomes.sent).toBe(0);
    await board.close();
  });

  it("with --ping opens a session by one empty message, and then asks without messages", async () => {
    const { context, clock, monitorRun, board } = await withBoard({ ping: true });
    const sizes: number[] = [];
    board.onMessage(({ bytes }) => sizes.push(bytes.length));
    await passTime(clock, monitorRun.run());
    expect(sizes).toEqual([0]);
    const views = context.objects.slice(0, -1) as { peers: Record<string, number>[] }[];
    const last = views.at(-1)?.peers[0];
    expect(last).toMatchObject({ phase: "open", roundTripUs: expect.any(Number) });
    expect(last?.silentUs).toBeLessThan(1_100_000);
    expect(last?.datagramsReceived).toBeGreaterThanOrEqual(4);
    await board.close();
  });

  it("asks a silent peer no more than its session does", async () => {
    const { clock, monitorRun, a, b } = await withBoard({ ping: true });
    b.close();
    await passTime(clock, monitorRun.run());
    // The message, and the repeats of its opening: none of them at each interval anew.
    expect(a.statistics.outcomes.sent).toBeLessThan(25);
  });

  it("refuses requests, and counts them", async () => {
    const { context, clock, monitorRun, board, a } = await withBoard({});
    const running = monitorRun.run();
    const asked = board.peer(a.localAddress).request(new Uint8Array(7));
    const error = await passTime(clock, asked).catch((caught: unknown) => caught);
    expect(error).toBeInstanceOf(FardelError);
    expect(error).toMatchObject({ code: "request-failed" });
    expect(String(error)).toContain("Here is a monitor");
    await passTime(clock, running);
    expect(context.objects.at(-1)).toEqual({ type: "result", messages: 1, messageBytes: 7 });
    await board.close();
  });

  it("says when the link is down, and goes on", async () => {
    const { context, clock, monitorRun, board, a } = await withBoard({});
    const running = monitorRun.run();
    clock.setTimer(1_500_000, () => a.restartRadio(1_000_000));
    await passTime(clock, running);
    expect(context.objects.slice(0, -1).map(({ link }) => link)).toEqual([
      "up",
      "down",
      "up",
      "up",
      "up",
    ]);
    await board.close();
  });

  it("makes up for no interval that was slept through", async () => {
    const { context, clock, monitorRun, board } = await withBoard({ forUs: 20_000_000 });
    // As if the computer had slept: the timer of the second look is late.
    const setTimer = clock.setTimer.bind(clock);
    clock.setTimer = (atUs, run) => setTimer(atUs === 2_000_000 ? 9_300_000 : atUs, run);
    await passTime(clock, monitorRun.run());
    const looks = context.objects.slice(0, -1).map(({ atUs }) => Number(atUs) / 1e6);
    expect(looks.slice(0, 4)).toEqual([1, 9.3, 10, 11]);
    expect(looks.at(-1)).toBe(20);
    await board.close();
  });
});
