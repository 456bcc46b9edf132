import { createHash } from "node:crypto";
import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { EXIT } from "../problem.js";
import { run } from "../run.js";
import { passTime, runToEnd, TestContext } from "../test-context.js";

let folder: string;
let file: string;
const content = Buffer.alloc(12_458, "frost ");
const sha256 = createHash("sha256").update(content).digest("hex");

beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-send-"));
  file = join(folder, "fans.bin");
  await writeFile(file, content);
});
afterAll(() => rm(folder, { recursive: true, force: true }));

/** Runs `fardel send` with a fresh context. */
async function send(...args: string[]): Promise<TestContext & { code: number }> {
  const context = new TestContext();
  const code = await runToEnd(["send", ...args], context);
  return Object.assign(context, { code });
}

describe("fardel send", () => {
  it("says that a file was delivered, and what the link was like", async () => {
    const { code, out, err } = await send(file, "--link", "lossy:loss=0.2,seed=3");
    expect(code).toBe(EXIT.done);
    expect(err).toMatch(/^Sending .*fans\.bin, 12,458 bytes, to 02:00:00:00:00:02 over simulated/);
    expect(out).toMatch(/^delivered: 12,458 bytes in \d+ ms, [\d.]+ kB\/s\n/);
    expect(out).toContain(sha256);
    for (const fact of [
      /datagrams +\d+ sent, \d+ received/,
      /fragments +\d+ sent, [1-9]\d* of them again/,
      /loss +\d/,
      /round trip +[\d.]+ ms/,
      /protection +none: not protected/,
    ]) {
      expect(out).toMatch(fact);
    }
  });

  it("says the same as one line of JSON", async () => {
    const { code, objects } = await send(
      file,
      "--json",
      "--link",
      "lossy:distance=60",
      "--to",
      "02:00:00:00:00:02",
    );
    expect(code).toBe(EXIT.done);
    expect(objects).toEqual([
      expect.objectContaining({
        outcome: "delivered",
        to: "02:00:00:00:00:02",
        bytes: 12_458,
        sha256,
        isProtected: false,
        elapsedUs: expect.any(Number),
        link: expect.objectContaining({
          rssiDbm: expect.any(Number),
          messagesSent: 1,
          lossRate: 0,
        }),
      }),
    ]);
  });

  it("sends a value, and prints the reply", async () => {
    const { code, out } = await send("--value", '{"fan":"on"}', "--request", "--link", "lossy:");
    expect(code).toBe(EXIT.done);
    expect(out).toMatch(/^answered: 8 bytes in /);
    expect(out).toMatch(/^reply: \{"bytes":8,"sha256":"[0-9a-f]{64}"\} \(the digest sent\)$/m);
  });

  it("names a message, and the reply is about its content", async () => {
    const { objects } = await send(file, "--named", "--request", "--json", "--link", "lossy:");
    expect(objects).toEqual([
      expect.objectContaining({
        outcome: "answered",
        name: "fans.bin",
        sha256,
        reply: { bytes: 12_458, sha256 },
      }),
    ]);
    const other = await send(file, "--named", "row 7.bin", "--json", "--link", "lossy:");
    expect(other.objects).toEqual([expect.objectContaining({ name: "row 7.bin" })]);
  });

  it("sends the input", async () => {
    const context = new TestContext({ input: [content.subarray(0, 5000), content.subarray(5000)] });
    expect(await runToEnd(["send", "-", "--json", "--link", "lossy:"], context)).toBe(EXIT.done);
    expect(context.objects).toEqual([expect.objectContaining({ bytes: 12_458, sha256 })]);
  });

  it.each([
    ["latest", "delivered"],
    ["unordered", "delivered"],
    ["unacknowledged", "sent"],
  ])("sends the way %s", async (way, outcome) => {
    const { objects } = await send(
      "--value",
      "[1]",
      "--way",
      way,
      "--channel",
      "1",
      "--priority",
      "urgent",
      "--json",
      "--link",
      "lossy:",
    );
    expect(objects).toEqual([expect.objectContaining({ outcome })]);
  });

  it.each([
    [[], "Say what to send"],
    [["--named", "fans.bin"], '--named took "fans.bin" as the name'],
    [["fans.bin", "--value", "1"], "not both"],
    [["--value", "{fan: on}"], "--value is not JSON"],
    [["--value", "1", "--named", "x"], "--named goes with a file"],
    [["-", "--named"], "Give the input a name"],
    [["-", "--named", "x".repeat(256)], "this one has 256"],
    [["no-such-file"], "no-such-file does not exist"],
    [["."], ". is a folder. Name a file."],
    [["--value", "1", "--request", "--way", "latest"], "--way does not go with --request"],
    [["--value", "1", "--request", "--channel", "1"], "--channel does not go with --request"],
    [["--value", "1", "--channel", "5", "--way", "latest"], "Option channel: 5 is not 0 to 3"],
    [["--value", "1", "--to", "row 7"], "row 7 is no address on this link"],
  ])("refuses %j", async (args, sentence) => {
    const { code, err, out } = await send(...args, "--link", "lossy:");
    expect(err).toContain(sentence);
    expect([code, out]).toEqual([EXIT.usage, ""]);
  });

  it("asks to whom, where there is a choice", async () => {
    const { code, err } = await send("--value", "1", "--link", "lossy:boards=2");
    expect(err).toContain("Say to whom: --to ADDRESS");
    expect(code).toBe(EXIT.usage);
  });

  it("says how far it came when time is up", async () => {
    const large = join(folder, "blob.bin");
    await writeFile(large, Buffer.alloc(200_000));
    const args = [large, "--deadline", "1s", "--json", "--link", "lossy:"];
    const { code, objects, err } = await send(...args);
    expect(code).toBe(EXIT.failed);
    const [{ error }] = objects as [{ error: { acknowledgedBytes: number } }];
    expect(error).toMatchObject({ code: "deadline-passed", delivery: "none", bytes: 200_000 });
    expect(error.acknowledgedBytes).toBeGreaterThan(60_000);
    expect(error.acknowledgedBytes).toBeLessThan(90_000);
    const acknowledged = error.acknowledgedBytes.toLocaleString("en-GB");
    expect(err).toContain(
      `${acknowledged} of 200,000 bytes were acknowledged. It cannot have arrived whole.`,
    );
  });

  it("gives up a board that is not heard", async () => {
    const { code, err } = await send(file, "--link", "lossy:loss=1");
    expect(code).toBe(EXIT.failed);
    expect(err).toContain("Check that it has power");
    expect(err).toMatch(/datagrams +\d+ sent, 0 received/);
  });

  it("tells that the receiver does not take so much", async () => {
    const large = join(folder, "large.bin");
    await writeFile(large, Buffer.alloc(1024 * 1024 + 1));
    const { code, err } = await send(large, "--link", "lossy:preset=ideal");
    expect(code).toBe(EXIT.failed);
    expect(err).toContain("it is larger than the peer allows");
  });

  it("ends at Ctrl-C, and says how far it came and that it may have arrived", async () => {
    for (const [afterUs, delivery] of [
      [60_000, "It cannot have arrived whole."],
      [300_000, "It may have arrived all the same."],
    ] as const) {
      const context = new TestContext();
      // The channel is so slow to answer that the last acks are still out at the second instant.
      const link = "lossy:delay=100ms,preset=ideal,mtu=250";
      const done = run(["send", file, "--json", "--link", link], context);
      void context.said("Sending").then(() => {
        const { clock } = context;
        clock.setTimer(clock.nowUs() + afterUs, () => context.interrupt());
      });
      expect(await passTime(context.clock, done)).toBe(EXIT.interrupted);
      expect(context.objects.at(-1)).toMatchObject({ error: { code: "interrupted" } });
      expect(context.err).toContain(`of 12,458 bytes were acknowledged. ${delivery}`);
    }
  });

  it("ends at Ctrl-C while it waits for the input", async () => {
    const context = new TestContext();
    const endless = {
      ...context,
      signal: context.signal,
      output: context.output,
      today: () => context.today(),
      exitWith: () => {},
      input: never(),
    };
    const done = run(["send", "-", "--link", "lossy:"], endless);
    context.interrupt();
    expect(await done).toBe(EXIT.interrupted);
  });

  it("draws a bar on a terminal, and nothing of the kind elsewhere", async () => {
    const context = new TestContext({ isTerminal: true });
    await runToEnd(["send", file, "--link", "lossy:loss=0.1"], context);
    expect(context.err).toContain("\u001b[");
    expect(context.err).toMatch(/\[=*-*\] +\d+ %/);
    const plain = await send(file, "--link", "lossy:loss=0.1");
    expect(plain.err).not.toContain("\u001b");
    expect(context.out).not.toContain("\u001b");
  });

  it("can be recorded and traced", async () => {
    const recording = join(folder, "send.jsonl");
    const { code, err } = await send(
      "--value",
      "[1]",
      "--trace",
      "--record",
      recording,
      "--link",
      "lossy:",
    );
    expect(code).toBe(EXIT.done);
    expect(err).toMatch(/ to +02:00:00:00:00:02 .* data ch 1/);
    expect(err).toContain("Recorded ");
  });
});

async function* never(): AsyncIterable<Uint8Array> {
  await new Promise(() => {});
  yield new Uint8Array();
}
