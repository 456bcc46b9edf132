import { batch, signal } from "@preact/signals";
import { BridgeSource, browserSerial } from "./bridge-source.js";
import { GatewaySource, gatewayToken, type LiveSource } from "./gateway-source.js";
import { LiveFeed } from "./live-feed.js";
import type { PeerOrder } from "./snapshot.js";

/** What this page looks at, and how. One for the page: it goes on while another part of it is open. */
export const feed = new LiveFeed();
export const order = signal<PeerOrder>("signal");
/** Address of the peer that is looked at closely. */
export const chosenPeer = signal<string | undefined>(undefined);

/** The bridge that this page looks at. */
export const bridge = signal<BridgeSource | undefined>(undefined);

let source: LiveSource | undefined;
let connecting: AbortController | undefined;

/** Listens to the gateway that has served this page, if there is one. May be called again. */
export function listenToGateway(): void {
  const token = gatewayToken();
  if (token === undefined || source) return;
  source = new GatewaySource(feed, { token, order: order.peek() });
}

export function chooseOrder(wanted: PeerOrder): void {
  order.value = wanted;
  source?.setOrder(wanted);
}

/** Does not wait for the next attempt. */
export function tryNow(): void {
  if (source instanceof GatewaySource) source.tryNow();
}

/** Lets the person choose a port, and looks at what the bridge there hears. Only inside a click. */
export async function connectBridge(bitRate: number): Promise<void> {
  const serial = browserSerial();
  if (!serial || source) return;
  connecting = new AbortController();
  const { signal } = connecting;
  try {
    const port = await serial.requestPort();
    feed.state.value = { is: "connecting" };
    const options = { serial, bitRate, order: order.peek(), signal };
    bridge.value = await BridgeSource.connect(feed, port, options);
    source = bridge.value;
  } catch (error) {
    feed.state.value = isNothingChosen(error)
      ? { is: "none" }
      : { is: "refused", sentence: error instanceof Error ? error.message : String(error) };
  } finally {
    connecting = undefined;
  }
}

/** Lets go of the bridge, or gives up looking for it. */
export async function disconnectBridge(): Promise<void> {
  connecting?.abort();
  const connected = bridge.value;
  if (!connected) return;
  // Until it has let go of the port, nobody can connect anew.
  await connected.close();
  batch(() => {
    bridge.value = undefined;
    source = undefined;
    chosenPeer.value = undefined;
    feed.clear();
    feed.state.value = { is: "none" };
  });
}

/** The person has closed the list of ports: nothing went wrong. */
function isNothingChosen(error: unknown): boolean {
  if (!(error instanceof Error)) return false;
  const isAborted = "code" in error && error.code === "aborted";
  return error.name === "NotFoundError" || error.name === "AbortError" || isAborted;
}
