/**
 * A bridge as a process of its own, for tests: on a serial port, with a radio behind it. Options as
 * JSON in the first argument.
 */
import { Endpoint, type Link, SystemClock } from "@fardel/core";
import { Medium } from "@fardel/lossy-link";
import { Bridge, type BytePort, linkRadio, type PortSource } from "@fardel/serial-bridge";
import { nodePortSource } from "@fardel/serial-bridge/node";
import { UdpLink } from "@fardel/udp-link";
import { blob, digest } from "./blob.js";
import {
  BIT_RATE,
  BOARD_ADDRESS,
  BRIDGE_ADDRESS,
  type BridgeProcessOptions,
  type FromBridge,
  type ToBridge,
} from "./bridge-process-options.js";
import { noisyPort } from "./noisy-port.js";

const clock = new SystemClock();

function tell(message: FromBridge): void {
  process.send?.(message);
}

/** A medium in real time, so fast that the line is what limits, without collisions; a board is on it. */
async function simulatedRadio(loss: number): Promise<Link> {
  const airtime = { fixedUs: 100, perByteUs: 1, overheadBytes: 0 };
  const medium = new Medium({ clock, airtime, duplex: "full", loss });
  const radio = medium.attach({ address: BRIDGE_ADDRESS });
  const board = await Endpoint.open({ link: medium.attach({ address: BOARD_ADDRESS }) });
  board.onMessage(({ bytes }) => {
    tell({ type: "received", bytes: bytes.length, digest: digest(bytes) });
  });
  process.on("message", async ({ bytes, seed }: ToBridge) => {
    const receipt = await board.peer(BRIDGE_ADDRESS).send(blob(bytes, seed));
    tell({ type: "sent", outcome: receipt.outcome });
  });
  return radio;
}

/** A port of a board that boots when somebody comes: its first answer has a text before it. */
function chattyPort(source: PortSource, text: string): PortSource {
  let state: "alone" | "booting" | "running" = "alone";
  return {
    label: source.label,
    open: async (bitRate, handlers) => {
      const port = await source.open(bitRate, {
        onBytes: (bytes) => {
          if (state === "alone") state = "booting";
          handlers.onBytes(bytes);
        },
        onClosed: (why) => handlers.onClosed(why),
      });
      const write: BytePort["write"] = (bytes, done) => {
        const chatter = Buffer.from(state === "booting" ? text : "", "latin1");
        if (state === "booting") state = "running";
        port.write(Buffer.concat([chatter, bytes]), done);
      };
      return { bitRate: port.bitRate, write, close: () => port.close() };
    },
  };
}

const { path, noise, chatter, behind } = JSON.parse(process.argv[2] ?? "") as BridgeProcessOptions;
process.on("disconnect", () => process.exit());
let source = nodePortSource({ path });
if (chatter !== undefined) source = chattyPort(source, chatter);
if (noise) source = noisyPort(source, noise);
let radio: Link;
let udpPort: number | undefined;
if ("loss" in behind) radio = await simulatedRadio(behind.loss);
else {
  const udp = await UdpLink.bind({ host: "127.0.0.1", port: behind.udpPort });
  radio = udp;
  udpPort = udp.port;
}
await Bridge.start({ source, radio: linkRadio(radio), clock, bitRate: BIT_RATE });
tell({ type: "ready", ...(udpPort !== undefined && { udpPort }) });
