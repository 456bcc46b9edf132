import { createHash, randomBytes } from "node:crypto";
import { mkdtemp, readdir, readFile, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../system-commands.js";
import { FardelProcess } from "./fardel-process.js";
import { PtyPair } from "./pty-pair.js";

/** The command `fardel` on real parts: processes, signals, pipes, sockets, pseudo-terminals. */

let folder: string;
const content = randomBytes(60_000);
const sha256 = createHash("sha256").update(content).digest("hex");
const started: FardelProcess[] = [];

beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-cli-"));
  await writeFile(join(folder, "fans.bin"), content);
});
afterEach(async () => {
  await Promise.all(started.splice(0).map((one) => one.kill()));
});
afterAll(() => rm(folder, { recursive: true, force: true }));

function fardel(args: readonly string[], input?: Uint8Array): FardelProcess {
  const one = new FardelProcess(args, { cwd: folder, ...(input && { input }) });
  started.push(one);
  return one;
}

/** The address in the first line of `receive --json`. */
async function listening(receiver: FardelProcess): Promise<string> {
  await receiver.said('"listening"');
  return String(receiver.objects[0]?.address);
}

/** Each starts several processes, which takes a second each, and far longer on a busy machine. */
const TIMEOUT_MS = 120_000;

describe("fardel, as processes", { timeout: TIMEOUT_MS }, () => {
  it("sends files over UDP, one after the other, until Ctrl-C ends the receiver", async () => {
    const receiver = fardel(["receive", "inbox", "--json", "--link", "udp:127.0.0.1"]);
    const to = await listening(receiver);
    const link = ["--link", "udp:127.0.0.1", "--to", to];
    const [file, input] = await Promise.all([
      fardel(["send", "fans.bin", "--named", "--json", ...link]).ended(),
      fardel(["send", "-", "--named", "in.bin", "--request", "--json", ...link], content).ended(),
    ]);
    expect(file).toMatchObject({ code: 0, out: expect.stringContaining('"outcome":"delivered"') });
    expect(input).toMatchObject({
      code: 0,
      out: expect.stringContaining(`"sha256":"${sha256}"},`),
    });
    receiver.signal();
    expect(await receiver.ended()).toMatchObject({ code: 130, signal: null });
    expect(receiver.objects.at(-1)).toEqual({
      type: "summary",
      messages: 2,
      bytes: 120_000,
      failures: 0,
    });
    expect((await readdir(join(folder, "inbox"))).sort()).toEqual(["fans.bin", "in.bin"]);
    for (const name of ["fans.bin", "in.bin"]) {
      expect((await readFile(join(folder, "inbox", name))).equals(content)).toBe(true);
    }
  });

  it.skipIf(lacksCommands("socat"))(
    "is a bridge on a pseudo-terminal; ports finds it, send goes through it",
    async () => {
      const line = await PtyPair.open();
      try {
        const bridge = fardel([
          "bridge",
          "--port",
          line.boardPath,
          "--behind",
          "lossy:loss=0.1",
          "--boards",
          "2",
          "--name",
          "row house",
        ]);
        await bridge.said("Ctrl-C ends it");
        const ports = await fardel(["ports", line.hostPath, "--baud", "115200"]).ended();
        expect(ports).toMatchObject({
          code: 0,
          out: expect.stringContaining(
            "bridge 02:00:00:00:00:01, row house, datagrams of 250 bytes",
          ),
        });
        const link = ["--link", `serial:${line.hostPath}?baud=115200`, "--to", "02:00:00:00:00:03"];
        const sent = await fardel([
          "send",
          "fans.bin",
          "--request",
          "--deadline",
          "60s",
          "--json",
          ...link,
        ]).ended();
        expect(sent).toMatchObject({
          code: 0,
          out: expect.stringContaining(`"sha256":"${sha256}"},`),
        });
        bridge.signal("SIGTERM");
        const { code, out } = await bridge.ended();
        expect(code).toBe(130);
        expect(out).toMatch(/^[1-9]\d* datagrams sent, [1-9]\d* heard in /);
      } finally {
        await line.close();
      }
    },
  );

  it("ends a send at Ctrl-C with what was reached", async () => {
    const sender = fardel(["send", "fans.bin", "--json", "--link", "lossy:loss=1"]);
    await sender.said("Sending fans.bin");
    sender.signal();
    expect((await sender.ended()).code).toBe(130);
    expect(sender.objects).toEqual([
      { error: expect.objectContaining({ code: "interrupted", acknowledgedBytes: 0 }) },
    ]);
  });

  it("says nothing when its reader goes away", async () => {
    const receiver = fardel(["receive", "piped", "--json", "--link", "lossy:every=50ms"]);
    await listening(receiver);
    receiver.stopReading();
    const { code, signal, err } = await receiver.ended();
    expect([code, signal]).toEqual([0, null]);
    expect(err).not.toMatch(/EPIPE|should not have happened/);
  });

  it("tells by its exit code whether it was the command line, the link or the work", async () => {
    const endings = await Promise.all(
      [
        ["send", "fans.bin", "--link", "lossy:loss=2"],
        ["send", "fans.bin", "--link", "serial:no-such-port"],
        ["send", "fans.bin", "--link", "lossy:loss=1", "--deadline", "100ms"],
        ["ports", "no-such-port"],
      ].map((args) => fardel(args).ended()),
    );
    expect(endings.map(({ code }) => code)).toEqual([2, 3, 1, 1]);
    for (const { err } of endings.slice(0, 3)) expect(err).toMatch(/^fardel: .+\n$/m);
  });
});
