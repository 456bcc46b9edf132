import { type ChildProcessWithoutNullStreams, spawn, spawnSync } from "node:child_process";
import { mkdtempSync, readdirSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import type { PortSource } from "../../serial-bridge/src/byte-port.js";
import { SerialBridgeLink } from "../../serial-bridge/src/serial-bridge-link.js";

const ROOT = fileURLToPath(new URL("..", import.meta.url));
const STRICT = [
  ...["-std=c99", "-Wall", "-Wextra", "-pedantic", "-Wconversion", "-Wshadow", "-Werror"],
  ...["-I", join(ROOT, "include")],
];
/** So that calls are calls, and there are no others than those in the source. */
const LIBRARY = ["-Os", "-fno-builtin", "-fno-stack-protector"];

function bridgeSources(): string[] {
  const parts = readdirSync(join(ROOT, "src/bridge")).filter((name) => name.endsWith(".c"));
  return [join(ROOT, "src/checksum.c"), ...parts.map((name) => join(ROOT, "src/bridge", name))];
}

function run(command: string, ...words: string[]): string {
  const { status, stdout, stderr, error } = spawnSync(command, words, { encoding: "utf8" });
  if (status !== 0) throw new Error(`${command} has failed: ${error?.message ?? stderr}`);
  return stdout;
}

/** A process as the port of a board. */
function portOf(child: ChildProcessWithoutNullStreams): PortSource {
  return {
    label: "the example",
    async open(_bitRate, { onBytes, onClosed }) {
      let isClosed = false;
      child.stdout.on("data", (bytes: Buffer) => isClosed || onBytes(bytes));
      child.on("exit", (code, signal) => isClosed || onClosed(`exit ${code ?? signal}`));
      return {
        bitRate: undefined,
        write: (bytes, done) => void child.stdin.write(bytes, () => isClosed || done()),
        close: () => {
          isClosed = true;
        },
      };
    },
  };
}

describe.skipIf(lacksCommands("gcc"))("the bridge in C", () => {
  let folder = "";
  beforeAll(() => {
    folder = mkdtempSync(join(tmpdir(), "fardel-bridge-"));
  });
  afterAll(() => rmSync(folder, { recursive: true, force: true }));

  it("compiles without a word, and calls nothing of a library but the memory functions", () => {
    const called = [...bridgeSources(), join(ROOT, "examples/bridge.c")].flatMap((file) => {
      const made = join(folder, "part.o");
      run("gcc", ...STRICT, ...LIBRARY, "-c", file, "-o", made);
      return run("nm", "-u", made).match(/\w+$/gm) ?? [];
    });
    const foreign = new Set(called.filter((name) => !/^(?:fardel|fdb|board)_/.test(name)));
    expect([...foreign].sort()).toEqual(["memcmp", "memcpy", "memmove", "memset"]);
  });

  it("forwards as a whole program, the example, at a port of seven bytes", async () => {
    const program = join(folder, "bridge");
    const board = join(ROOT, "test/harness/bridge-board.c");
    const sanitized = ["-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"];
    run("gcc", ...STRICT, "-O1", ...sanitized, board, ...bridgeSources(), "-o", program);
    const child = spawn(program, { stdio: "pipe" });
    const ended = new Promise<unknown>((resolve) => {
      child.on("exit", (code, signal) => resolve(code ?? signal));
    });
    let errors = "";
    child.stderr.on("data", (text) => {
      errors += text;
    });
    const chatter: string[] = [];
    const log: string[] = [];
    const link = await SerialBridgeLink.connect(portOf(child), {
      onChatter: ({ text }) => chatter.push(text),
      onLog: ({ text }) => log.push(text),
    });
    expect(link.bridge).toMatchObject({ name: "frost watch bridge", queue: 4, peersMax: 20 });

    // More addresses than the radio's table has places, each of them three times.
    const count = 90;
    const heard: string[] = [];
    const outcomes: string[] = [];
    await new Promise<void>((resolve, reject) => {
      const check = () => heard.length + outcomes.length === 2 * count && resolve();
      let sent = 0;
      const send = () => {
        if (sent === count) return;
        const to = Uint8Array.of(2, 0, 0, 0, 1, sent % 30);
        link.send(to, new Uint8Array(250).fill(sent++), (outcome) => {
          outcomes.push(outcome);
          send();
          check();
        });
      };
      link.open({
        onDatagram: (from, datagram) => {
          heard.push(`${from.at(-1)}: ${datagram.length} of ${datagram[0]}`);
          check();
        },
      });
      void ended.then((code) => reject(new Error(`The board has ended: ${code}. ${errors}`)));
      for (let credit = 0; credit < link.outstandingMax; credit++) send();
    });
    expect(new Set(outcomes)).toEqual(new Set(["acknowledged"]));
    expect(heard).toEqual(
      Array.from({ length: count }, (_, index) => `${index % 30}: 250 of ${index}`),
    );
    await link.setRadioChannel(11);
    await expect(link.setRadioChannel(14)).rejects.toMatchObject({ code: "channel-refused" });
    expect(await link.statistics()).toMatchObject({
      datagramsSent: count,
      datagramsAcknowledged: count,
      datagramsHeard: count,
      peersPutOut: 70,
      framesDamaged: 0,
    });
    expect(chatter).toEqual(["boot: frost watch bridge"]);
    expect(log).toEqual(["frost watch bridge: started"]);
    await link.close();
    child.stdin.end();
    expect([await ended, errors]).toEqual([0, ""]);
  });
});
