import type { Clock } from "@fardel/core";
import type { BridgeFacts } from "../bridge-frames.js";
import type { PortSource } from "../byte-port.js";
import { SerialBridgeError } from "../errors.js";
import { SerialBridgeLink } from "../serial-bridge-link.js";

/** How to look at a port. */
export interface ProbeOptions {
  /** Bit rates to try, in this order, 3 seconds for each that nobody answers at. Default: the usual ones. */
  readonly bitRates?: readonly number[];
  /** Default `cobs`. */
  readonly framing?: "cobs" | "slip";
  /** Default: real time. */
  readonly clock?: Clock;
  /** Aborting it ends the probing with `aborted`. */
  readonly signal?: AbortSignal;
}

/**
 * What is at a port.
 *
 * - `bridge`: a bridge, and what it says of itself.
 * - `silent`: it could be opened, and nothing came.
 * - `no-frames`: bytes came, but no bridge answered: another program of a board, or another bit rate.
 * - `failed`: it could not be opened, or what answers cannot be used; the error says why.
 */
export type ProbeResult =
  | { readonly answer: "bridge"; readonly bitRate: number | undefined; readonly facts: BridgeFacts }
  | { readonly answer: "silent" }
  | { readonly answer: "no-frames"; readonly bytes: number; readonly text: string }
  | { readonly answer: "failed"; readonly error: SerialBridgeError };

/** Of what is no frame, so many bytes are kept to be shown. */
const TEXT_BYTES = 200;

/**
 * Open a port, see who answers, and close it again. A bridge that serves another program on this
 * port is not disturbed: the port is busy then. A bridge takes it for a host that came and went.
 *
 * @throws {@link SerialBridgeError} `aborted`, `invalid-option`; everything else is a result
 */
export async function probePort(
  source: PortSource,
  options: ProbeOptions = {},
): Promise<ProbeResult> {
  const heard = new HeardBytes();
  let bitRate: number | undefined;
  const listening: PortSource = {
    label: source.label,
    open: async (rate, handlers) => {
      const port = await source.open(rate, {
        onBytes: (bytes) => {
          heard.add(bytes);
          handlers.onBytes(bytes);
        },
        onClosed: (why) => handlers.onClosed(why),
      });
      bitRate = port.bitRate;
      return port;
    },
  };
  try {
    const link = await SerialBridgeLink.connect(listening, options);
    const facts = link.bridge;
    await link.close();
    return { answer: "bridge", bitRate, facts };
  } catch (error) {
    if (!(error instanceof SerialBridgeError) || PASSED_ON.has(error.code)) throw error;
    if (error.code !== "no-answer") return { answer: "failed", error };
    return heard.bytes === 0
      ? { answer: "silent" }
      : { answer: "no-frames", bytes: heard.bytes, text: heard.text };
  }
}

const PASSED_ON: ReadonlySet<string> = new Set(["aborted", "invalid-option"]);

/** Counts bytes, and keeps the first of them as text. */
class HeardBytes {
  bytes = 0;
  text = "";

  add(bytes: Uint8Array): void {
    this.bytes += bytes.length;
    for (const byte of bytes.subarray(0, TEXT_BYTES - this.text.length)) {
      const isPrintable = byte >= 0x20 && byte < 0x7f;
      this.text += isPrintable || byte === 0x0a ? String.fromCharCode(byte) : ".";
    }
  }
}
