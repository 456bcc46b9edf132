import { describe, expect, it } from "vitest";
import { openLink } from "../link-address/open-link.js";
import { readPairedBoards, withPairedBoards } from "../paired/paired-boards.js";
import { passTime, runToEnd, TestContext } from "../test-context.js";
import { Search } from "./discover-run.js";

async function discover(args: readonly string[], link: string, isTerminal = false) {
  const context = new TestContext({ isTerminal });
  const exitCode = await runToEnd(["discover", "--link", link, ...args], context);
  return { context, exitCode };
}

interface Board {
  readonly name: string;
  readonly address: string;
  readonly rssiDbm?: number;
  readonly radioChannel?: number;
}

function boardsOf(context: TestContext): Board[] {
  return (context.objects.at(-1) as { boards: Board[] }).boards;
}

describe("fardel discover", () => {
  it("prints a table at the end of one search, the strongest first", async () => {
    const { context, exitCode } = await discover(["--once"], "lossy:boards=3,distance=20,loss=0.1");
    expect(exitCode).toBe(0);
    const [head, ...lines] = context.out.split("\n").slice(0, -1);
    expect(head).toMatch(
      /^ Signal +Heard +Name +Kind +Address +Pairing +Known as +Channel +Takes$/,
    );
    expect(lines).toHaveLength(3);
    const strengths = lines.map((line) => Number(/^-\d+/.exec(line.trim())?.[0]));
    expect(strengths).toEqual([...strengths].sort((one, other) => other - one));
    expect(lines.join()).toMatch(
      / row-1 +row-station +02:00:00:00:00:02 +code, compare +protected, plain/,
    );
    expect(context.err).toContain("Looking for boards: simulated channel");
    expect(context.err).toContain("3 boards found. fardel pair pairs with one.");
  });

  it("prints each board when it is found, and goes on until the time is over", async () => {
    const { context, exitCode } = await discover(["--for", "25s"], "lossy:boards=3");
    expect(exitCode).toBe(0);
    const lines = context.out.split("\n").slice(0, -1);
    expect(lines).toHaveLength(3);
    for (const line of lines)
      expect(line).toMatch(/^ +\d\.\d s {2}row-[123] {2}row-station {2}02:.*in pairing mode/);
    expect(context.clock.nowUs()).toBeGreaterThanOrEqual(25_000_000);
  });

  it("asks again and again: so it sees who falls silent, and for how long", async () => {
    const args = ["--for", "25s", "--json", "--trace"];
    const { context } = await discover(args, "lossy:");
    const queries = context.err.split("\n").filter((line) => line.includes("query,"));
    const seconds = queries.map((line) => Math.floor(Number(line.trim().split(" ")[0])));
    expect(seconds.filter((second) => second >= 10 && second < 20).length).toBeGreaterThan(3);
    expect(seconds.filter((second) => second >= 20).length).toBeGreaterThan(3);
    const [board] = boardsOf(context) as unknown as [{ heardAtUs: number }];
    expect(board.heardAtUs).toBeGreaterThan(20_000_000);
    expect(board.heardAtUs).toBeLessThanOrEqual(25_000_000);
  });

  it("draws one table in place on a terminal", async () => {
    const { context } = await discover(["--for", "3s"], "lossy:boards=2,distance=20", true);
    const drawings = context.out.split("\u001b[J").slice(0, -1);
    expect(drawings.length).toBeGreaterThan(5);
    expect(drawings[0]).toContain("Nobody was heard yet.");
    expect(drawings.at(-1)).toMatch(/3\.0 s {2}2 boards/);
    for (const line of context.out.split("\n")) {
      const shown = line.split("\r").at(-1)?.split("\u001b[K")[0] ?? "";
      expect(shown.replaceAll("\u001b[J", "").length).toBeLessThan(80);
    }
  });

  it("tells programs of each board, and of all at the end", async () => {
    const { context } = await discover(["--once", "--json"], "lossy:boards=2,distance=20");
    expect(context.objects.map(({ type }) => type)).toEqual(["found", "found", "result"]);
    expect(boardsOf(context)[0]).toEqual({
      address: "02:00:00:00:00:02",
      name: "row-1",
      kind: "row-station",
      rssiDbm: expect.any(Number),
      rssiSamples: expect.any(Number),
      isInPairingMode: true,
      ways: ["code", "compare"],
      takesPlain: true,
      takesProtected: true,
      mtuBytes: 250,
      window: 64,
      heardAtUs: expect.any(Number),
    });
  });

  it("finds only what was asked for", async () => {
    const { context } = await discover(["--once", "--json", "--prefix", "row-2"], "lossy:boards=3");
    expect(boardsOf(context).map(({ name }) => name)).toEqual(["row-2"]);
    const other = await discover(["--once", "--json", "--kind", "gate"], "lossy:boards=3");
    expect(boardsOf(other.context)).toEqual([]);
    expect(other.exitCode).toBe(0);
    const told = await discover(["--once", "--kind", "gate"], "lossy:boards=3");
    expect(told.context.err).toContain("No board was found.");
    const pairing = await discover(["--once", "--json", "--pairing"], "lossy:boards=60");
    // The others are not in pairing mode.
    expect(boardsOf(pairing.context)).toHaveLength(50);
    const long = await discover(["--once", "--kind", "a kind that is too long"], "lossy:");
    expect([long.exitCode, long.context.err]).toEqual([2, expect.stringContaining("16 are allow")]);
  });

  it("looks on several radio channels, and goes back", async () => {
    const link = "lossy:boards=4,channels=6+1+11";
    const here = await discover(["--once", "--json"], link);
    expect(boardsOf(here.context).map(({ name }) => name)).toEqual(["row-1", "row-4"]);
    const all = await discover(["--once", "--json", "--channels", "1,6,11"], link);
    expect(boardsOf(all.context).map(({ name, radioChannel }) => [name, radioChannel])).toEqual([
      ["row-1", 6],
      ["row-2", 1],
      ["row-3", 11],
      ["row-4", 6],
    ]);
    const told = await discover(["--once"], link);
    expect(told.context.err).toContain("4 boards from 02:00:00:00:00:02, radio channels 6, 1, 11");
  });

  it("finds boards where datagrams are tiny", async () => {
    for (const mtu of [20, 40, 64]) {
      const { context } = await discover(["--once", "--json"], `lossy:mtu=${mtu}`);
      const [board] = boardsOf(context) as unknown as [Record<string, unknown>];
      expect(board).toMatchObject({
        address: "02:00:00:00:00:02",
        mtuBytes: mtu,
        isInPairingMode: false,
        takesProtected: mtu >= 48,
      });
    }
  });

  it.each([
    ["lossy:preset=bleAtt", "no-broadcast", "cannot reach everybody at once"],
    ["udp:127.0.0.1", "no-broadcast", "udp::7400?broadcast="],
  ])("says why nobody can be found over %s", async (link, code, text) => {
    const { context, exitCode } = await discover(["--json"], link);
    expect(exitCode).toBe(2);
    expect(context.err).toContain(text);
    expect(context.objects).toMatchObject([{ error: { code } }]);
  });

  it.each([
    ["1,6", "lossy:", "no radio channel that can be set"],
    ["1,6", "udp:127.0.0.1", "no radio channel that can be set"],
    ["1,,6", "lossy:channels=1", "Give numbers from 1 to 255"],
    ["0", "lossy:channels=1", "Give numbers from 1 to 255"],
  ])("refuses --channels %s over %s", async (channels, link, text) => {
    const { context, exitCode } = await discover(["--channels", channels], link);
    expect([exitCode, context.err]).toEqual([2, expect.stringContaining(text)]);
  });

  it("ends at Ctrl-C with what was found", async () => {
    const context = new TestContext();
    const link = "lossy:boards=2,channels=1+6";
    const args = ["discover", "--link", link, "--channels", "6,1"];
    const running = runToEnd(args, context);
    await context.said("row-2");
    context.interrupt();
    expect(await running).toBe(130);
    expect(context.err).toContain("found. fardel pair");
  });

  it("goes back to its own radio channel at Ctrl-C, too", async () => {
    const context = new TestContext();
    const link = await openLink("lossy:boards=2,channels=6+11", context, { isFindable: true });
    const open = withPairedBoards(link, await readPairedBoards({}, context), context);
    const set: number[] = [];
    const setChannel = async (channel: number) => {
      set.push(channel);
      await open.radio?.setChannel(channel);
      if (channel === 11) context.interrupt();
    };
    const channelPlan = { channels: [1, 11, 2], homeChannel: 6, setChannel };
    const settings = { filter: {}, channelPlan, once: false, form: "json" as const };
    await passTime(context.clock, new Search(open, settings, context).run());
    expect(set).toEqual([1, 11, 6]);
    expect(open.radio?.channel()).toBe(6);
    expect(context.exitCode).toBe(130);
    await open.close();
  });

  it("forgets who has fallen silent in pairing mode", async () => {
    const context = new TestContext();
    const link = await openLink("lossy:boards=2,channels=6", context, { isFindable: true });
    const open = withPairedBoards(link, await readPairedBoards({}, context), context);
    const filter = { pairingOnly: true };
    const settings = { filter, once: false, forUs: 25_000_000, form: "json" as const };
    // From then on nobody is heard.
    context.clock.setTimer(context.clock.nowUs() + 5_000_000, () => void open.radio?.setChannel(1));
    await passTime(context.clock, new Search(open, settings, context).run());
    expect(context.objects.map(({ type }) => type)).toEqual(["found", "found", "result"]);
    expect(boardsOf(context)).toEqual([]);
    await open.close();
  });

  it("fails when its link fails", async () => {
    const context = new TestContext();
    const link = await openLink("lossy:", context);
    const failure = new AbortController();
    const paired = await readPairedBoards({}, context);
    const open = withPairedBoards({ ...link, failed: failure.signal }, paired, context);
    const settings = { filter: {}, once: false, form: "json" as const };
    const running = passTime(context.clock, new Search(open, settings, context).run());
    failure.abort(new Error("the cable was pulled"));
    await expect(running).rejects.toThrow("the cable was pulled");
    await open.close();
  });

  it("refuses what boards send meanwhile, so that nobody believes it safe", async () => {
    const { context } = await discover(["--for", "3s", "--trace"], "lossy:every=500ms");
    expect(context.err).toMatch(/to {3}02:00:00:00:00:02.*stop/);
  });

  it("has a help with examples", async () => {
    const { context } = await discover(["--help"], "lossy:");
    for (const word of ["--pairing", "--channels", "Examples:", "Exit codes:", "a claim"])
      expect(context.out).toContain(word);
  });
});
