import { formatAddress } from "@fardel/lossy-link";
import type { PortSource, SerialBridgeLink } from "@fardel/serial-bridge";
import type { Context } from "../context.js";
import { printable } from "../output.js";
import { hardwareAddress } from "./hardware-address.js";
import type { SerialAddress } from "./link-syntax.js";
import type { OpenLink, RadioSetting } from "./open-link.js";

/** Lines of the board's program up to this severity are shown: warnings (RFC 5424, section 6.2.1). */
const LOG_LEVEL_SHOWN = 4;

export async function openSerial(address: SerialAddress, context: Context): Promise<OpenLink> {
  const { bitRate, framing } = address;
  const { clock, signal } = context;
  if (context.output.isTerminal) {
    context.output.err(`Looking for a bridge on ${printable(portLabel(address))} …\n`);
  }
  // Only here: whoever needs no serial port shall not load its native part.
  const { SerialBridgeLink } = await import("@fardel/serial-bridge");
  const link = await SerialBridgeLink.connect(await portSource(address), {
    framing,
    clock,
    signal,
    ...(bitRate !== undefined && { bitRate }),
  });
  const { bridge } = link;
  tellAbout(link, context);
  const failure = new AbortController();
  link.on("failed", ({ error }) => failure.abort(error));
  const name = bridge.name === "" ? "" : ` (${printable(bridge.name)})`;
  return {
    link,
    describe: `bridge ${formatAddress(bridge.address)}${name} on ${portLabel(address)}, datagrams of ${bridge.mtuBytes} bytes`,
    failed: failure.signal,
    ...radioOf(link),
    parseAddress: async (text) => hardwareAddress(text, bridge.address.length),
    formatAddress,
    close: () => link.close(),
  };
}

/** The radio channel of a bridge, if it says that it can be set. */
export function radioOf(
  link: Pick<SerialBridgeLink, "setRadioChannel"> & {
    readonly bridge: Pick<SerialBridgeLink["bridge"], "canSetChannel" | "channel">;
  },
): { readonly radio?: RadioSetting } {
  if (!link.bridge.canSetChannel) return {};
  return {
    radio: {
      // 0: not known; BRIDGE.md.
      channel: () => link.bridge.channel || undefined,
      setChannel: (channel) => link.setRadioChannel(channel),
    },
  };
}

export async function portSource({ port }: SerialAddress): Promise<PortSource> {
  const { nodePortSource, tcpPortSource } = await import("@fardel/serial-bridge/node");
  return "path" in port ? nodePortSource(port) : tcpPortSource(port);
}

function portLabel({ port }: SerialAddress): string {
  return "path" in port ? port.path : `tcp://${port.host}:${port.port}`;
}

/** What happens to the link while a command runs, so that waiting can be understood. */
function tellAbout(link: SerialBridgeLink, { output }: Context): void {
  const say = (text: string) => output.err(`fardel: ${printable(text)}\n`);
  link.on("status", ({ why }) => say(why));
  link.on("log", ({ level, text }) => {
    if (level <= LOG_LEVEL_SHOWN) say(`The board says: ${text}`);
  });
}
