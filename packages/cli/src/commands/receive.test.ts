import { createHash } from "node:crypto";
import { mkdtemp, readdir, readFile, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { Endpoint, type EndpointOptions, type RemotePeer } from "@fardel/core";
import {
  formatAddress,
  type Impairments,
  type LossyPair,
  lossyPair,
  presets,
} from "@fardel/lossy-link";
import { decodeValue, encodeValue } from "@fardel/msgpack";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { encodeHeader } from "../named-message.js";
import type { PairedLink } from "../paired/paired-boards.js";
import { EXIT, Problem } from "../problem.js";
import { passTime, runToEnd, TestContext } from "../test-context.js";
import { type ReceiveOptions, receiveFrom } from "./receiving.js";

let folder: string;
beforeEach(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-receive-"));
});
afterEach(() => rm(folder, { recursive: true, force: true }));

/** `fardel receive` at one end of a simulated channel, a board at the other. */
class Stage {
  readonly context = new TestContext();
  readonly pair: LossyPair;
  readonly failure = new AbortController();
  readonly #done: Promise<void>;
  readonly #isJson: boolean;
  #board: Endpoint | undefined;

  constructor(options: Partial<ReceiveOptions> = {}, loss = 0, aToB: Impairments = {}) {
    const { clock } = this.context;
    this.pair = lossyPair({ ...presets.reference(), clock, loss, seed: 4, aToB });
    const open: PairedLink = {
      endpointOptions: {},
      nameOf: formatAddress,
      link: this.pair.a,
      describe: "simulated channel",
      failed: this.failure.signal,
      parseAddress: () => Promise.reject(new Error("not asked for")),
      formatAddress,
      close: async () => this.pair.a.close(),
    };
    this.#isJson = options.json ?? true;
    const all = { json: true, maxBytes: 2 ** 30, ...options };
    this.#done = receiveFrom(open, folder, all, this.context);
  }

  /** The receiver, as the board sees it. */
  async peer(options: Partial<EndpointOptions> = {}): Promise<RemotePeer> {
    const { b: link, a, clock } = this.pair;
    this.#board ??= await Endpoint.open({ link, clock, ...options });
    return this.#board.peer(a.localAddress);
  }

  /** Lets time pass until the promise is settled. */
  pass<T>(promise: Promise<T>): Promise<T> {
    return passTime(this.context.clock, promise);
  }

  /** Ctrl-C, and what was said by the end. */
  async interrupt(): Promise<Record<string, unknown>[]> {
    this.context.interrupt();
    return this.end();
  }

  async end(): Promise<Record<string, unknown>[]> {
    await this.pass(this.#done);
    await this.#board?.close();
    return this.#isJson ? this.context.objects : [];
  }
}

const digest = (bytes: Uint8Array) => createHash("sha256").update(bytes).digest();

function named(name: string, content: Uint8Array, sha256 = digest(content)): Uint8Array {
  return Buffer.concat([encodeHeader({ name, bytes: content.length, sha256 }), content]);
}

/** Files and what is in them. */
async function files(): Promise<Record<string, string>> {
  const names = (await readdir(folder)).sort();
  const entries = names.map(async (name) => [name, await readFile(join(folder, name), "latin1")]);
  return Object.fromEntries(await Promise.all(entries));
}

describe("fardel receive", () => {
  it("stores plain bytes and values, and says what it stored", async () => {
    const stage = new Stage();
    const peer = await stage.peer();
    await stage.pass(peer.send(Buffer.from("\u0001bytes", "latin1")));
    await stage.pass(peer.send(encodeValue({ row: 7, airC: -0.5 })));
    // One byte is a number in MessagePack: that must not make a value of it.
    await stage.pass(peer.send(Uint8Array.of(21)));
    const objects = await stage.interrupt();
    const prefix = "message-20260418T032000Z-02-00-00-00-00-0b";
    expect(await files()).toEqual({
      [`${prefix}-1.bin`]: "\u0001bytes",
      [`${prefix}-2.json`]: '{"row":7,"airC":-0.5}\n',
      [`${prefix}-3.bin`]: "\u0015",
    });
    const from = "02:00:00:00:00:0b";
    expect(objects).toEqual([
      { type: "listening", link: "simulated channel", address: "02:00:00:00:00:0a", folder },
      expect.objectContaining({
        type: "message",
        from,
        file: join(folder, `${prefix}-1.bin`),
        bytes: 6,
        isRequest: false,
        digest: "not-announced",
      }),
      expect.objectContaining({
        sha256: digest(encodeValue({ row: 7, airC: -0.5 })).toString("hex"),
      }),
      expect.objectContaining({ bytes: 1 }),
      { type: "summary", messages: 3, bytes: expect.any(Number), failures: 0 },
    ]);
    expect(stage.context.exitCode).toBe(EXIT.interrupted);
  });

  it("leaves values as they are with --raw", async () => {
    const stage = new Stage({ raw: true });
    await stage.pass((await stage.peer()).send(encodeValue([1])));
    await stage.interrupt();
    expect(Object.values(await files())).toEqual(["\u0091\u0001"]);
  });

  it("stores a named message under its name, and nothing outside of the folder", async () => {
    const stage = new Stage();
    const peer = await stage.peer();
    const content = Buffer.from("fan=on");
    for (const name of ["fans.bin", "../../fans.bin", "/etc/fans.bin", ".profile", "CON", ""]) {
      await stage.pass(peer.send(named(name, content)));
    }
    const objects = await stage.interrupt();
    expect(await files()).toEqual(
      Object.fromEntries(
        ["_CON", "fans-2.bin", "fans-3.bin", "fans.bin", "profile", "unnamed"].map((name) => [
          name,
          "fan=on",
        ]),
      ),
    );
    expect(objects[1]).toMatchObject({
      file: join(folder, "fans.bin"),
      digest: "matches",
      bytes: 6,
    });
  });

  it("does not overwrite what was there", async () => {
    await writeFile(join(folder, "fans.bin"), "old");
    const stage = new Stage();
    await stage.pass((await stage.peer()).send(named("fans.bin", Buffer.from("new"))));
    await stage.interrupt();
    expect(await files()).toEqual({ "fans.bin": "old", "fans-2.bin": "new" });
  });

  it.each([
    ["another digest", named("fans.bin", Buffer.from("fan=on"), digest(Buffer.from("fan=off")))],
    [
      "another length than announced",
      Buffer.concat([
        encodeHeader({ name: "fans.bin", bytes: 7, sha256: digest(Buffer.from("fan=on")) }),
        Buffer.from("fan=on"),
      ]),
    ],
    ["more behind it", Buffer.concat([named("fans.bin", Buffer.from("fan=on")), Buffer.from("!")])],
  ])("keeps a message with %s apart, and says so", async (_what, message) => {
    const stage = new Stage();
    await stage.pass((await stage.peer()).send(message));
    const objects = await stage.interrupt();
    expect(Object.keys(await files())).toEqual(["fans.bin.damaged"]);
    expect(objects[1]).toMatchObject({ digest: "differs" });
    expect(objects.at(-1)).toMatchObject({ messages: 1, failures: 1 });
    expect(stage.context.exitCode).toBe(EXIT.failed);
  });

  it("stores what looks like a named message and is none as plain bytes, whole", async () => {
    const stage = new Stage();
    await stage.pass((await stage.peer()).send(Uint8Array.of(0xc1, 1, 0x93, 1, 2, 3)));
    await stage.interrupt();
    expect(Object.values(await files())).toEqual(["\u00c1\u0001\u0093\u0001\u0002\u0003"]);
  });

  it.each([0, 0.3])(
    "writes long messages to the disk as they arrive, at a loss of %d",
    async (loss) => {
      const stage = new Stage({}, loss);
      const peer = await stage.peer();
      const content = Buffer.from(Uint8Array.from({ length: 300_000 }, (_, index) => index * 7));
      await stage.pass(peer.send(named("log.bin", content)));
      await stage.pass(peer.send(content));
      await stage.interrupt();
      const stored = await files();
      expect(Object.keys(stored)).toEqual(["log.bin", expect.stringMatching(/-1\.bin$/)]);
      for (const text of Object.values(stored))
        expect(text === content.toString("latin1")).toBe(true);
    },
  );

  it("answers a request when its message is stored", async () => {
    const stage = new Stage();
    const content = Buffer.from("fan=on");
    const reply = await stage.pass((await stage.peer()).request(named("fans.bin", content)));
    expect(decodeValue(reply)).toEqual({ bytes: 6, sha256: digest(content).toString("hex") });
    expect(await files()).toEqual({ "fans.bin": "fan=on" });
    expect((await stage.interrupt())[1]).toMatchObject({ isRequest: true });
  });

  it("refuses what is too long, and tells the sender that it is the length", async () => {
    const stage = new Stage({ maxBytes: 100_000 });
    const peer = await stage.peer();
    await expect(stage.pass(peer.send(new Uint8Array(100_001)))).rejects.toMatchObject({
      code: "refused-by-peer",
      message: expect.stringContaining("larger than the peer allows"),
    });
    await expect(stage.pass(peer.send(new Uint8Array(100_000)))).resolves.toBeDefined();
    const objects = await stage.interrupt();
    expect(objects.at(-1)).toMatchObject({ messages: 1, bytes: 100_000 });
  });

  it("ends after one message with --once, and its sender hears that it was delivered", async () => {
    const stage = new Stage({ once: true }, 0.3);
    const peer = await stage.peer();
    await expect(
      stage.pass(peer.send(named("one.bin", new Uint8Array(5000)))),
    ).resolves.toMatchObject({ outcome: "delivered" });
    peer.send(new Uint8Array(10)).catch(() => {});
    const objects = await stage.end();
    expect(Object.keys(await files())).toEqual(["one.bin"]);
    expect(objects.at(-1)).toMatchObject({ type: "summary", messages: 1 });
    expect(stage.context.exitCode).toBeUndefined();
  });

  it("refuses with --once what comes after the one message", async () => {
    const stage = new Stage({ once: true });
    const peer = await stage.peer();
    const first = peer.send(Uint8Array.of(1));
    await stage.pass(stage.context.said('"message"'));
    const second = peer.send(Uint8Array.of(2));
    second.catch(() => {});
    await stage.pass(first);
    await expect(stage.pass(second)).rejects.toMatchObject({ code: "refused-by-peer" });
    await stage.end();
    expect(await readdir(folder)).toHaveLength(1);
  });

  it.each(["1", "11", "11111"])(
    "stays with --once until the acks have arrived: %s is lost",
    async (trace) => {
      const stage = new Stage({ once: true }, 0, { replay: { trace, repeat: false } });
      const peer = await stage.peer();
      const receipt = stage.pass(peer.send(Uint8Array.of(1)));
      await expect(receipt).resolves.toMatchObject({ outcome: "delivered" });
      expect((await stage.end()).at(-1)).toMatchObject({ messages: 1 });
    },
  );

  it("stores at Ctrl-C what was acknowledged already", async () => {
    const stage = new Stage();
    const peer = await stage.peer();
    const sent = Array.from({ length: 30 }, (_, index) =>
      peer.send(Buffer.from(`reading ${index}`)),
    );
    await stage.pass(Promise.all(sent));
    await stage.interrupt();
    expect(Object.keys(await files())).toHaveLength(30);
  });

  it("leaves no half of a message behind at Ctrl-C, and its sender learns that it was refused", async () => {
    const stage = new Stage();
    const peer = await stage.peer();
    const { clock } = stage.context;
    const sending = peer.send(new Uint8Array(500_000));
    sending.catch(() => {});
    await stage.pass(clock.delay(1_000_000));
    expect(await readdir(folder)).toEqual([expect.stringMatching(/^\.fardel-.*\.part$/)]);
    const objects = await stage.interrupt();
    expect(await readdir(folder)).toEqual([]);
    expect(objects.at(-2)).toMatchObject({ type: "failure", code: "interrupted" });
    await expect(sending).rejects.toThrow();
  });

  it("throws away a message whose sender gives up, and goes on", async () => {
    const stage = new Stage();
    const peer = await stage.peer();
    const giveUp = new AbortController();
    const { clock } = stage.context;
    const sending = peer.send(new Uint8Array(500_000), { signal: giveUp.signal });
    sending.catch(() => {});
    await stage.pass(clock.delay(1_000_000));
    giveUp.abort();
    await stage.pass(sending.catch(() => {}));
    await stage.pass(peer.send(Uint8Array.of(1)));
    const objects = await stage.interrupt();
    expect(await readdir(folder)).toHaveLength(1);
    expect(objects).toContainEqual(
      expect.objectContaining({ type: "failure", code: "sender-gave-up" }),
    );
    expect(objects.at(-1)).toMatchObject({ messages: 1, failures: 1 });
    expect(stage.context.err).toContain("Not stored, from 02:00:00:00:00:0b");
  });

  it("ends with the error of a link that has failed for good", async () => {
    const stage = new Stage();
    await stage.pass((await stage.peer()).send(Uint8Array.of(1)));
    stage.failure.abort(new Problem(EXIT.link, "bridge-changed", "Another bridge is there."));
    await expect(stage.end()).rejects.toMatchObject({ code: "bridge-changed" });
  });

  it("writes lines for people, without what a terminal would obey", async () => {
    const stage = new Stage({ json: false });
    await stage.pass((await stage.peer()).send(named("fans\u001b[2J.bin", Buffer.from("x"))));
    await stage.interrupt();
    const { out, err } = stage.context;
    expect(out).toBe(
      `02:00:00:00:00:0b  1 byte  ${join(folder, "fans[2J.bin")}  sha-256 ${digest(Buffer.from("x")).toString("hex")}, as announced\n`,
    );
    expect(err).toContain(
      `Listening on simulated channel. Messages go to ${folder}. Ctrl-C ends it.`,
    );
    expect(err).toContain("Stored 1 message, 1 byte.");
  });

  it("runs as a command, makes the folder, and ends by itself with --once", async () => {
    const context = new TestContext();
    const inner = join(folder, "a", "b");
    const code = await runToEnd(["receive", inner, "--once", "--link", "lossy:every=1s"], context);
    expect(code).toBe(EXIT.done);
    expect(await readdir(inner)).toEqual([expect.stringMatching(/^message-.*\.json$/)]);
  });

  it("cannot use a file as the folder", async () => {
    const file = join(folder, "file");
    await writeFile(file, "");
    const context = new TestContext();
    expect(await runToEnd(["receive", join(file, "inbox"), "--link", "lossy:"], context)).toBe(
      EXIT.usage,
    );
    expect(context.err).toContain("is not a folder");
  });
});
