import { Endpoint, type Progress, type RemotePeer, type SendOptions } from "@fardel/core";
import { type PortSource, SerialBridgeLink } from "@fardel/serial-bridge";
import { nodePortSource, probePort, tcpPortSource } from "@fardel/serial-bridge/node";
import { UdpLink, udpAddress } from "@fardel/udp-link";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import { lacksCommands } from "../system-commands.js";
import { blob, digest } from "./blob.js";
import {
  BIT_RATE,
  BOARD_ADDRESS,
  BRIDGE_ADDRESS,
  type BridgeProcessOptions,
  type FromBridge,
  type ToBridge,
} from "./bridge-process-options.js";
import { ChildProgram } from "./child-program.js";
import { PtyPair } from "./pty-pair.js";
import { SerialServer } from "./serial-server.js";

type BridgeProgram = ChildProgram<ToBridge, FromBridge>;

const BLOB_BYTES = 64 * 1024;
/** Sooner than the test is given up: a message that does not arrive says so. */
const DEADLINE_MS = 45_000;

let pair: PtyPair;
/** What is to be ended after the test, in this order. */
let endings: (() => Promise<unknown>)[] = [];

beforeEach(async () => {
  pair = await PtyPair.open();
  endings = [() => pair.close()];
});

afterEach(async () => {
  for (const end of endings.reverse()) await end();
});

async function startBridge(options: BridgeProcessOptions) {
  const program: BridgeProgram = new ChildProgram("test/interop/bridge-process.ts", options);
  endings.push(() => program.kill());
  const { udpPort } = await hearOf(program, "ready");
  return { program, udpPort };
}

async function hearOf<T extends FromBridge["type"]>(
  program: BridgeProgram,
  type: T,
): Promise<Extract<FromBridge, { type: T }>> {
  const message = await program.hear();
  expect(message.type).toBe(type);
  return message as Extract<FromBridge, { type: T }>;
}

/** An endpoint over the bridge at a port. */
async function openGateway(source: PortSource) {
  const chatter: string[] = [];
  const link = await SerialBridgeLink.connect(source, {
    bitRate: BIT_RATE,
    onChatter: ({ text }) => chatter.push(text),
  });
  const gateway = await Endpoint.open({ link });
  endings.push(() => gateway.close());
  return { link, gateway, chatter };
}

/** Starts to send a blob; `isHalfway` resolves when half of it has been acknowledged. */
function sendBlob(peer: RemotePeer, bytes: Uint8Array, options: SendOptions = {}) {
  let pass: () => void;
  const isHalfway = new Promise<void>((resolve) => {
    pass = resolve;
  });
  const onProgress = ({ acknowledgedBytes, totalBytes }: Progress) => {
    if (acknowledgedBytes >= totalBytes / 2) pass();
  };
  const receipt = peer.send(bytes, { ...options, deadlineMs: DEADLINE_MS, onProgress });
  let isSettled = false;
  const settle = () => {
    isSettled = true;
  };
  // Awaited later than it may fail.
  receipt.then(settle, settle);
  return { isHalfway, receipt, isUnderWay: () => !isSettled };
}

async function nextDigest(endpoint: Endpoint): Promise<string> {
  const { value } = await endpoint.messages().next();
  return digest(value?.bytes ?? new Uint8Array(0));
}

describe.skipIf(lacksCommands("socat"))("a bridge at a real serial port", () => {
  it("carries 64 kB each way at once over a line that flips and drops bytes", async () => {
    const { program } = await startBridge({
      path: pair.boardPath,
      noise: { seed: 11, flip: 2e-4, drop: 1e-4 },
      behind: { loss: 0.05 },
    });
    const { link, gateway } = await openGateway(nodePortSource({ path: pair.hostPath }));
    const ofHost = blob(BLOB_BYTES, 1);
    program.tell({ type: "send", bytes: BLOB_BYTES, seed: 2 });
    const [receipt, heard] = await Promise.all([
      gateway.peer(BOARD_ADDRESS).send(ofHost, { deadlineMs: DEADLINE_MS }),
      nextDigest(gateway),
    ]);
    expect(receipt.outcome).toBe("delivered");
    expect(heard).toBe(digest(blob(BLOB_BYTES, 2)));
    const told = [await program.hear(), await program.hear()];
    expect(told).toContainEqual({ type: "sent", outcome: "delivered" });
    expect(told).toContainEqual({ type: "received", bytes: BLOB_BYTES, digest: digest(ofHost) });
    // The line was as bad as it was meant to be.
    expect(link.counts.framesDamaged).toBeGreaterThan(0);
    expect(link.counts.lostOnLine).toBeGreaterThan(0);
  });

  it("is found behind what a board writes while it boots", async () => {
    const chatter =
      "row station, invented\r\nboot: 3\r\n\x00\xff\x00\x07\x03garbage without an end";
    const { program } = await startBridge({
      path: pair.boardPath,
      chatter,
      behind: { loss: 0 },
    });
    const { gateway, chatter: heard } = await openGateway(nodePortSource({ path: pair.hostPath }));
    await gateway.peer(BOARD_ADDRESS).send(blob(100, 3));
    expect((await hearOf(program, "received")).digest).toBe(digest(blob(100, 3)));
    expect(heard.join("")).toContain("boot: 3");
  });

  it("may be killed in the middle of a message, its board too: the message is sent again", async () => {
    const options = { path: pair.boardPath, behind: { loss: 0.05 } };
    const first = await startBridge(options);
    const { gateway } = await openGateway(nodePortSource({ path: pair.hostPath }));
    const bytes = blob(BLOB_BYTES, 4);
    const { isHalfway, receipt, isUnderWay } = sendBlob(gateway.peer(BOARD_ADDRESS), bytes, {
      // In case that its last fragment was sent already.
      afterRestart: "resend",
    });
    await isHalfway;
    await first.program.kill();
    expect(isUnderWay()).toBe(true);
    const { program } = await startBridge(options);
    expect((await receipt).outcome).toBe("delivered");
    expect((await hearOf(program, "received")).digest).toBe(digest(bytes));
  });

  it("may be killed alone: the sessions of the endpoints go on", async () => {
    const first = await startBridge({ path: pair.boardPath, behind: { udpPort: 0 } });
    const { gateway, link } = await openGateway(nodePortSource({ path: pair.hostPath }));
    const boardLink = await UdpLink.bind({ host: "127.0.0.1" });
    const board = await Endpoint.open({ link: boardLink });
    endings.push(() => board.close());
    const sessions: string[] = [];
    for (const endpoint of [gateway, board]) {
      endpoint.on("session-opened", () => sessions.push("opened"));
      endpoint.on("session-ended", ({ why }) => sessions.push(`ended: ${why}`));
    }
    const bytes = blob(BLOB_BYTES, 5);
    const boardAddress = udpAddress(`127.0.0.1:${boardLink.port}`);
    const { isHalfway, receipt, isUnderWay } = sendBlob(gateway.peer(boardAddress), bytes);
    await isHalfway;
    await first.program.kill();
    expect(isUnderWay()).toBe(true);
    const udpPort = first.udpPort ?? 0;
    await startBridge({ path: pair.boardPath, behind: { udpPort } });
    expect((await receipt).outcome).toBe("delivered");
    expect(await nextDigest(board)).toBe(digest(bytes));
    expect(sessions).toEqual(["opened", "opened"]);
    // Which of the two depends on how long the process took to come back.
    expect(link.counts.restarts + link.counts.reopenings).toBeGreaterThanOrEqual(1);
  });

  it("may have its cable pulled, and come back under another path", async () => {
    const { program } = await startBridge({ path: pair.boardPath, behind: { loss: 0 } });
    const { link, gateway } = await openGateway(
      nodePortSource({
        path: pair.hostPath,
        listPorts: async () => [{ path: pair.hostPath, serialNumber: "ROW-7" }],
      }),
    );
    const statuses: string[] = [];
    link.on("status", ({ status }) => statuses.push(status));
    const bytes = blob(BLOB_BYTES, 6);
    const { isHalfway, receipt, isUnderWay } = sendBlob(gateway.peer(BOARD_ADDRESS), bytes);
    await isHalfway;
    const before = pair.hostPath;
    await pair.pull();
    expect(isUnderWay()).toBe(true);
    await pair.plug();
    expect(pair.hostPath).not.toBe(before);
    expect((await receipt).outcome).toBe("delivered");
    expect((await hearOf(program, "received")).digest).toBe(digest(bytes));
    expect(statuses).toEqual(["down", "up"]);
  });

  it("is reached over TCP", async () => {
    const server = await SerialServer.open();
    endings.push(() => server.close());
    const { program } = await startBridge({ path: server.boardPath, behind: { loss: 0.05 } });
    const { gateway } = await openGateway(
      tcpPortSource({ host: "127.0.0.1", port: server.tcpPort }),
    );
    const bytes = blob(BLOB_BYTES, 7);
    program.tell({ type: "send", bytes: 1000, seed: 8 });
    expect((await sendBlob(gateway.peer(BOARD_ADDRESS), bytes).receipt).outcome).toBe("delivered");
    expect(await nextDigest(gateway)).toBe(digest(blob(1000, 8)));
  });
});

describe.skipIf(lacksCommands("socat"))("looking at a port", () => {
  it("finds the bridge, and leaves it free for the next", async () => {
    await startBridge({ path: pair.boardPath, behind: { loss: 0 } });
    const source = nodePortSource({ path: pair.hostPath });
    for (const turn of ["first", "second"]) {
      const result = await probePort(source, { bitRates: [BIT_RATE] });
      expect(result, turn).toMatchObject({ answer: "bridge", bitRate: BIT_RATE });
      if (result.answer === "bridge") expect(result.facts.address).toEqual(BRIDGE_ADDRESS);
    }
  });

  it("tells that another program has it", async () => {
    await startBridge({ path: pair.boardPath, behind: { loss: 0 } });
    await openGateway(nodePortSource({ path: pair.hostPath }));
    const result = await probePort(nodePortSource({ path: pair.hostPath }));
    expect(result).toMatchObject({ answer: "failed", error: { code: "port-busy" } });
  });

  it("tells a board that writes something else", async () => {
    const board = await nodePortSource({ path: pair.boardPath }).open(BIT_RATE, {
      onBytes: () => board.write(new TextEncoder().encode("what?\r\n"), () => undefined),
      onClosed: () => undefined,
    });
    endings.push(async () => board.close());
    const source = nodePortSource({ path: pair.hostPath });
    const result = await probePort(source, { bitRates: [BIT_RATE] });
    expect(result).toMatchObject({ answer: "no-frames" });
    if (result.answer === "no-frames") expect(result.text).toContain("what?");
  });
});
