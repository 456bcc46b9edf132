import { mkdtemp, readdir, readFile, rm, truncate, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { readCapture, writeCapture } from "@fardel/capture";
import { describeDatagram } from "@fardel/core/wire";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { runToEnd, TestContext } from "../test-context.js";

/** Recordings as pcapng: written, shown, turned into the other format and back, and played. */

const LINK = "lossy:boards=2,every=200ms,seed=3,distance=40,loss=0.2";
let folder = "";
const file = (name: string) => join(folder, name);

beforeEach(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-capture-"));
});
afterEach(() => rm(folder, { recursive: true }));

async function fardel(...args: string[]) {
  const context = new TestContext();
  const exitCode = await runToEnd(args, context);
  return { context, exitCode };
}

/** A gateway of two seconds, with readings from two boards. @returns how many it received */
async function record(name: string): Promise<unknown> {
  const args = ["--link", LINK, "--record", file(name), "--for", "2s", "--json"];
  const { exitCode, context } = await fardel("monitor", ...args);
  expect([exitCode, context.err]).toEqual([0, expect.stringMatching(/^Recorded \d+ datagrams/)]);
  return context.objects.at(-1)?.messages;
}

const messagesOf = async (name: string) => {
  const names = await readdir(file(name));
  const texts = await Promise.all(names.map((each) => readFile(join(file(name), each), "utf8")));
  return texts.sort();
};

describe("--record FILE.pcapng", () => {
  it("records what lines of JSON would, with addresses of both ends", async () => {
    await record("night.PCAPNG");
    const { head, datagrams, faults, isCut } = readCapture(await readFile(file("night.PCAPNG")));
    expect(head).toEqual({
      link: LINK,
      mtuBytes: 250,
      startedAt: new Date("2026-04-18T03:20:00Z"),
      localAddress: Uint8Array.of(2, 0, 0, 0, 0, 1),
    });
    expect([faults, isCut]).toEqual([[], false]);
    const sent = datagrams.filter(({ direction }) => direction === "sent");
    expect(sent.length).toBeGreaterThan(4);
    for (const { from, outcome, tookUs } of sent)
      expect([from, outcome, tookUs]).toEqual([
        head.localAddress,
        expect.any(String),
        expect.any(Number),
      ]);
    const received = datagrams.filter(({ direction }) => direction === "received");
    for (const { rssiDbm } of received) expect(rssiDbm).toBeLessThan(-40);
  });

  it("is what fardel trace shows, and both formats turn into each other without loss", async () => {
    await record("night.pcapng");
    const { context, exitCode } = await fardel("trace", file("night.pcapng"));
    const { datagrams } = readCapture(await readFile(file("night.pcapng")));
    const lines = context.out.split("\n").slice(0, -1);
    expect(exitCode).toBe(0);
    expect(lines).toHaveLength(datagrams.length);
    lines.forEach((line, index) => {
      expect(line.endsWith(describeDatagram(datagrams[index]!.bytes))).toBe(true);
    });
    const copying = await fardel("trace", file("night.pcapng"), "--record", file("copy.jsonl"));
    expect(copying.context.out).toBe("");
    expect(copying.context.err).toContain(`Recorded ${lines.length} datagrams in `);
    expect((await fardel("trace", file("copy.jsonl"))).context.out).toBe(context.out);
    await fardel("trace", file("copy.jsonl"), "--record", file("again.pcapng"));
    expect(await readFile(file("again.pcapng"))).toEqual(await readFile(file("night.pcapng")));
  });

  it("is recognised by its bytes, on standard input too, and can be cut to a piece", async () => {
    await record("night.pcapng");
    const bytes = await readFile(file("night.pcapng"));
    const byName = await fardel("trace", file("night.pcapng"));
    // Its first bytes one by one.
    const pieces = [...bytes.subarray(0, 9)].map((byte) => Uint8Array.of(byte));
    const context = new TestContext({ input: [...pieces, bytes.subarray(9)] });
    await expect(runToEnd(["trace", "-"], context)).resolves.toBe(0);
    expect(context.out).toBe(byName.context.out);
    const piece = ["--from", "500ms", "--to", "1s", "--record", file("piece.pcapng")];
    await fardel("trace", file("night.pcapng"), ...piece);
    const { datagrams } = readCapture(await readFile(file("piece.pcapng")));
    expect(datagrams.length).toBeGreaterThan(2);
    for (const { atUs } of datagrams) expect(atUs >= 500_000 && atUs <= 1_000_000).toBe(true);
  });

  it("that is damaged, cut, or somebody else's is said to be so", async () => {
    await record("night.pcapng");
    const bytes = await readFile(file("night.pcapng"));
    const { datagrams } = readCapture(bytes);
    const at = bytes.indexOf(Buffer.from(datagrams[3]!.bytes)) - 27;
    bytes[at] = 9;
    await writeFile(file("damaged.pcapng"), bytes);
    await truncate(file("damaged.pcapng"), bytes.length - 5);
    const { context, exitCode } = await fardel("trace", file("damaged.pcapng"));
    expect(exitCode).toBe(1);
    expect(context.err).toMatch(
      /What begins at byte \d+ cannot be read: a datagram cannot be read/,
    );
    expect(context.err).toContain("The recording ends within the block at byte");
    expect(context.err).toContain(`${datagrams.length - 1} datagrams, 1 damaged place.\n`);
    await writeFile(file("other.pcapng"), bytes.subarray(0, 48));
    const other = await fardel("trace", file("other.pcapng"));
    expect([other.exitCode, other.context.err]).toEqual([
      2,
      expect.stringContaining("holds no link"),
    ]);
  });

  it("takes what several links recorded on one time", async () => {
    const startedAt = new Date("2026-04-18T03:20:00Z");
    const from = Uint8Array.of(2, 0, 0, 0, 0, 9);
    const one = { atUs: 1000, direction: "received" as const, from, bytes: Uint8Array.of(0x51) };
    const head = { link: "one", mtuBytes: 250, startedAt };
    const later = { ...head, startedAt: new Date(startedAt.getTime() + 2000) };
    const both = [writeCapture(head, [one]), writeCapture(later, [one])];
    await writeFile(file("both.pcapng"), Buffer.concat(both));
    const { context } = await fardel("trace", file("both.pcapng"), "--json");
    expect(context.objects.map(({ atUs }) => atUs)).toEqual([1000, 2_001_000, undefined]);
  });
});

describe("--link replay:", () => {
  it.each(["night.pcapng", "night.jsonl"])("gives the messages of %s again", async (name) => {
    const received = await record(name);
    expect(received).toBeGreaterThan(5);
    const link = `replay:${file(name)},speed=5`;
    const { exitCode, context } = await fardel("receive", file("inbox"), "--link", link);
    expect(exitCode).toBe(0);
    expect(context.err).toContain("played, 5 times as fast: lossy:boards=2");
    expect(context.err).toContain(`Stored ${received} messages`);
    const readings = await messagesOf("inbox");
    expect(new Set(readings).size).toBe(received);
    for (const reading of readings)
      expect(JSON.parse(reading)).toMatchObject({ airC: expect.any(Number) });
  });

  it("ends with the recording for monitor and trace too; trace shows what was on the air alone", async () => {
    const messages = await record("night.pcapng");
    const { datagrams } = readCapture(await readFile(file("night.pcapng")));
    const received = datagrams.filter(({ direction }) => direction === "received");
    const link = ["--link", `replay:${file("night.pcapng")}`];
    const traced = await fardel("trace", ...link);
    expect([traced.exitCode, traced.context.out.split("\n")]).toEqual([
      0,
      expect.objectContaining({ length: received.length + 1 }),
    ]);
    const watched = await fardel("monitor", ...link, "--json");
    expect(watched.exitCode).toBe(0);
    expect(watched.context.objects.at(-1)).toMatchObject({ type: "result", messages });
  });

  it("says what cannot be played", async () => {
    await record("night.pcapng");
    const late = ["--from", "1s", "--record", file("late.pcapng")];
    await fardel("trace", file("night.pcapng"), ...late);
    const { context } = await fardel(
      "receive",
      file("inbox"),
      "--link",
      `replay:${file("late.pcapng")}`,
    );
    expect(context.err).toMatch(
      /\d+ datagrams from 02:00:00:00:00:02 cannot be played: the session began before the recording did/,
    );
  });

  it("is refused where somebody would have to answer, or no file is", async () => {
    const link = ["--link", `replay:${file("no.pcapng")}`];
    for (const args of [["send", "--value", "1"], ["discover"], ["pair"]]) {
      const { exitCode, context } = await fardel(...args, ...link);
      expect([exitCode, context.err]).toEqual([
        2,
        expect.stringContaining("A recording answers nobody"),
      ]);
    }
    const { exitCode, context } = await fardel("receive", file("inbox"), ...link);
    expect([exitCode, context.err]).toEqual([2, expect.stringContaining("does not exist")]);
  });
});

describe("fardel simulate --trace --record", () => {
  it("records every datagram on air with its fate", async () => {
    const scenario = {
      title: "a table",
      link: { loss: 0.3 },
      messages: [{ from: "gateway", bytes: 3000, count: 1 }],
    };
    await writeFile(file("table.json"), JSON.stringify(scenario));
    const run = ["simulate", file("table.json"), "--seed", "5", "--case", "1"];
    const { exitCode, context } = await fardel(
      ...run,
      "--trace",
      "--json",
      "--record",
      file("run.pcapng"),
    );
    expect([exitCode, context.err]).toEqual([0, expect.stringContaining("Recorded ")]);
    const traced = context.objects.filter(({ type }) => type === "datagram");
    const { head, datagrams } = readCapture(await readFile(file("run.pcapng")));
    expect(head.link).toMatch(/^simulate .*table\.json, case 1, seed 5$/);
    expect(
      datagrams.map(({ atUs, fate, bytes }) => [atUs, fate, Buffer.from(bytes).toString("hex")]),
    ).toEqual(traced.map(({ atUs, fate, bytes }) => [atUs, fate, bytes]));
    expect(new Set(datagrams.map(({ fate }) => fate))).toEqual(new Set(["delivered", "lost"]));
    const shown = await fardel("trace", file("run.pcapng"));
    expect(shown.context.out).toMatch(/from 02:00:00:00:00:00 to 02:00:00:00:00:01 .* lost /);
    const other = await fardel(...run, "--record", file("run.pcapng"));
    expect([other.exitCode, other.context.err]).toEqual([
      2,
      expect.stringContaining("goes with --trace"),
    ]);
  });
});
