import { mkdtemp, readFile, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import type { Output } from "../context.js";
import { encodeHead, encodeLoss } from "../recording/format.js";
import { run } from "../run.js";
import { runToEnd, TestContext } from "../test-context.js";

const HEAD = { mtuBytes: 250, startedAt: new Date("2026-04-18T03:20:00Z"), link: "lossy:" };
const LINK = "lossy:boards=2,every=200ms,distance=40,loss=0.1";

let folder = "";
let night = "";
beforeEach(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-trace-"));
  night = join(folder, "night.jsonl");
});
afterEach(() => rm(folder, { recursive: true }));

/** Records a link for a while. */
async function record(forTime = "1s"): Promise<TestContext> {
  const context = new TestContext();
  const args = ["trace", "--link", LINK, "--for", forTime, "--record", night];
  expect(await runToEnd(args, context)).toBe(0);
  return context;
}

async function trace(...args: string[]) {
  const context = new TestContext();
  const exitCode = await runToEnd(["trace", ...args], context);
  return { context, exitCode, lines: context.out.split("\n").slice(0, -1) };
}

describe("fardel trace --link", () => {
  it("shows what arrives, answers nothing, and says how many there were", async () => {
    const context = await record();
    const lines = context.out.split("\n").slice(0, -1);
    expect(lines.length).toBeGreaterThan(5);
    for (const line of lines) {
      expect(line).toMatch(
        /^ +\d\.\d{6} {2}from 02:00:00:00:00:0[23] +\d+ bytes +-\d\d dBm +long /,
      );
    }
    expect(context.err).toContain("Listening: simulated channel");
    expect(context.err).toContain(`\n${lines.length} datagrams.\n`);
    expect(context.err).toContain(`Recorded ${lines.length} datagrams in ${night}.\n`);
  });

  it("ends at Ctrl-C, and after so many", async () => {
    const context = new TestContext();
    const running = runToEnd(["trace", "--link", LINK], context);
    await context.said("data ch");
    context.interrupt();
    await expect(running).resolves.toBe(130);
    expect(context.err).toMatch(/\n\d+ datagrams?\.\n$/);
    const { lines, exitCode } = await trace("--link", LINK, "--count", "3");
    expect([lines.length, exitCode]).toEqual([3, 0]);
  });

  it("says what is wrong with the link", async () => {
    const { exitCode, context } = await trace("--link", "pigeon:");
    expect(exitCode).toBe(2);
    expect(context.err).toContain("serial:");
  });
});

describe("fardel trace RECORDING", () => {
  it("shows the same as listening did", async () => {
    const live = await record();
    const { context, exitCode } = await trace(night);
    expect(exitCode).toBe(0);
    expect(context.out).toBe(live.out);
    expect(context.err).toContain(`${LINK}, datagrams of at most 250 bytes, from 2026-04-18T03:20`);
  });

  it("reads standard input", async () => {
    const live = await record();
    const context = new TestContext({ input: [await readFile(night)] });
    await expect(runToEnd(["trace", "-"], context)).resolves.toBe(0);
    expect(context.out).toBe(live.out);
  });

  it("filters, and says how many were shown", async () => {
    const live = await record();
    const all = live.out.split("\n").slice(0, -1);
    const { lines } = await trace(night, "--peer", "02:00:00:00:00:03", "--frames", "data");
    const expected = all.filter((line) => line.includes(":03 ") && line.includes("data ch"));
    expect(lines).toEqual(expected);
    const { context } = await trace(night, "--from", "500ms", "--to", "800ms");
    const shown = all.filter((line) => line >= "    0.500000" && line < "    0.800001");
    expect(context.out.split("\n").slice(0, -1)).toEqual(shown);
    expect(context.err).toContain(`${all.length} datagrams, ${shown.length} of them shown.\n`);
  });

  it("prints lines of JSON, the last one being the result", async () => {
    const live = await record();
    const { context } = await trace(night, "--json");
    const objects = context.objects;
    expect(context.err).toBe("");
    expect(objects).toHaveLength(live.out.split("\n").length);
    expect(objects[0]).toMatchObject({
      type: "datagram",
      at: expect.stringMatching(/^2026-04-18T03:20:00\./),
      direction: "received",
      peer: expect.stringMatching(/^02:00:00:00:00:0[23]$/),
      rssiDbm: expect.any(Number),
      frames: expect.arrayContaining(["hello version 1 mtu 250 bytes window 64"]),
      bytes: expect.stringMatching(/^51[0-9a-f]+$/),
    });
    expect(objects.at(-1)).toEqual({
      type: "result",
      datagrams: objects.length - 1,
      shown: objects.length - 1,
      damagedLines: 0,
      droppedDatagrams: 0,
    });
  });

  it("sums up", async () => {
    await record();
    const { lines } = await trace(night, "--summary");
    expect(lines[0]).toMatch(/^Peer +Sent/);
    expect(lines[1]).toMatch(/^02:00:00:00:00:0[23] +0 +0 +0 +\d+ /);
    const { context } = await trace(night, "--summary", "--json");
    expect(context.objects).toEqual([
      expect.objectContaining({
        type: "result",
        peers: expect.arrayContaining([
          expect.objectContaining({ peer: "02:00:00:00:00:02" }),
          expect.objectContaining({ peer: "02:00:00:00:00:03" }),
        ]),
      }),
    ]);
  });

  it("reports damaged lines by number, shows the rest, and does not call that success", async () => {
    await record();
    const lines = (await readFile(night, "utf8")).split("\n");
    const count = lines.length - 2;
    lines.splice(
      3,
      0,
      JSON.stringify({ atUs: "\u001b[2J" }),
      "\u0000\u0001",
      encodeLoss({ atUs: 9, dropped: 4 }).trim(),
    );
    await writeFile(night, `${lines.join("\n")}{"atUs":12,"dire`);
    const { context, exitCode, lines: shown } = await trace(night);
    expect(exitCode).toBe(1);
    expect(shown).toHaveLength(count);
    expect(context.err).toContain("Line 4 cannot be read: atUs is not a whole number");
    expect(context.err).toContain("Line 5 cannot be read");
    expect(context.err).toContain("4 datagrams from 0.000009 s on were not recorded");
    expect(context.err).toContain(`The recording ends within line ${count + 5}`);
    expect(context.err).toContain(`${count} datagrams, 2 damaged lines.\n`);
    expect(context.err).not.toContain("\u001b");
  });

  it("does not drown in damage", async () => {
    await writeFile(night, `${encodeHead(HEAD)}${"x\n".repeat(5000)}`);
    const { context } = await trace(night);
    expect(context.err.split("\n").length).toBeLessThan(30);
    expect(context.err).toContain("5,000 damaged lines");
  });

  it("lets no control character of a recording through", async () => {
    const link = "lossy:\u001b[2J\u202e\n";
    await writeFile(night, encodeHead({ ...HEAD, link }));
    const { context } = await trace(night);
    expect(context.err.split("\n")[0]).not.toMatch(/[\p{Cc}\p{Cf}]/u);
  });

  it("writes addresses of UDP as host and port, and others that stand there all the same", async () => {
    const head = encodeHead({ ...HEAD, link: "udp::7400" });
    const line = (peer: string) =>
      `${JSON.stringify({ atUs: 1, direction: "sent", peer, bytes: "" })}\n`;
    await writeFile(night, head + line("c0a801051ce8") + line("0102"));
    const { lines } = await trace(night);
    expect(lines[0]).toContain("to   192.168.1.5:7400  ");
    expect(lines[1]).toContain("to   01:02  ");
  });

  it("ends at Ctrl-C while standard input is silent", async () => {
    async function* input() {
      yield Buffer.from(`${encodeHead(HEAD)}{"atUs":12,"dire`);
      await new Promise(() => {});
    }
    const context = new TestContext();
    const running = run(["trace", "-"], {
      output: context.output,
      clock: context.clock,
      signal: context.signal,
      input: input(),
      today: () => context.today(),
      peersFile: "",
      exitWith: () => {},
    });
    await context.said("from 2026-04-18");
    context.interrupt();
    await expect(running).resolves.toBe(130);
    expect(context.err).toContain("0 datagrams.");
    // Who ended the reading knows that there is more.
    expect(context.err).not.toContain("ends within");
  });

  it("waits for a slow reader of its output", async () => {
    await record("3s");
    const context = new TestContext();
    let writtenSinceDrain = 0;
    let writtenMax = 0;
    const output: Output & { drained(): Promise<void> } = {
      ...context.output,
      out: () => {
        writtenMax = Math.max(writtenMax, ++writtenSinceDrain);
      },
      drained: async () => {
        writtenSinceDrain = 0;
      },
    };
    const content = await readFile(night, "utf8");
    const [head = "", ...lines] = content.split("\n");
    async function* input() {
      yield Buffer.from(`${head}\n${lines.join("\n").repeat(30)}`);
    }
    await run(["trace", "-"], {
      output,
      clock: context.clock,
      signal: context.signal,
      input: input(),
      today: () => context.today(),
      peersFile: "",
      exitWith: () => {},
    });
    expect(lines.length * 30).toBeGreaterThan(200);
    expect(writtenMax).toBeLessThanOrEqual(64);
  });

  it.each([
    [[], "either a recording or --link"],
    [["a.jsonl", "--link", "lossy:"], "either a recording or --link"],
    [["a.jsonl", "--for", "1s"], "--for goes with --link"],
    [["no-such-file.jsonl"], "no-such-file.jsonl does not exist"],
    [["a.jsonl", "--frames", "dada"], "Give some of data,ack"],
    [["a.jsonl", "--from", "soon"], "Give a time since the start"],
  ])("refuses %j", async (args, words) => {
    const { exitCode, context } = await trace(...args);
    expect(exitCode).toBe(2);
    expect(context.err).toContain(words);
  });
});
