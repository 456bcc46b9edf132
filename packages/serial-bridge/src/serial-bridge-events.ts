import type { BridgeFacts } from "./bridge-frames.js";
import type { SerialBridgeError } from "./errors.js";
import type { GreetingHandlers } from "./host/greet.js";

/** What can be listened for with `SerialBridgeLink.on`. */
export interface SerialBridgeEvents {
  /** The link went down or came back up, and why. */
  status: { readonly status: "up" | "down"; readonly why: string };
  /** A session with a bridge has begun, after the first one: the board restarted, or the port came back. */
  session: { readonly bridge: BridgeFacts };
  /** The radio channel is another one now. */
  channel: { readonly channel: number };
  /** The link has closed itself for good: `bridge-changed` or `version-mismatch`. */
  failed: { readonly error: SerialBridgeError };
  /** A line of text of the board's program; `level` as in RFC 5424, section 6.2.1. */
  log: { readonly level: number; readonly text: string };
  /** Text between the frames: what the board writes while it boots. */
  chatter: { readonly text: string };
}

type Listener<K extends keyof SerialBridgeEvents> = (event: SerialBridgeEvents[K]) => void;

/** Who listens to what. What a listener throws surfaces as an uncaught error of its own. */
export class ListenerBook {
  readonly #listeners = new Map<keyof SerialBridgeEvents, Set<(event: never) => void>>();

  add<K extends keyof SerialBridgeEvents>(type: K, listener: Listener<K>): () => void {
    const listeners = this.#listeners.get(type) ?? new Set();
    this.#listeners.set(type, listeners);
    listeners.add(listener);
    return () => listeners.delete(listener);
  }

  emit<K extends keyof SerialBridgeEvents>(type: K, event: SerialBridgeEvents[K]): void {
    for (const listener of this.#listeners.get(type) ?? []) {
      shielded(() => (listener as Listener<K>)(event));
    }
  }

  clear(): void {
    this.#listeners.clear();
  }
}

/** The caller's code must not break ours. */
export function shielded(run: () => void): void {
  try {
    run();
  } catch (error) {
    queueMicrotask(() => {
      throw error;
    });
  }
}

/** What is told to listeners while no link owns the connection. */
export function heardBy(listeners: ListenerBook): GreetingHandlers {
  return {
    onEvent: (event) => {
      if (event.type === "log-received") {
        listeners.emit("log", { level: event.level, text: event.text });
      }
    },
    onChatter: (text) => listeners.emit("chatter", { text }),
  };
}
