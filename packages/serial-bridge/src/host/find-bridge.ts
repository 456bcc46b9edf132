import type { PortSource } from "../byte-port.js";
import { SerialBridgeError } from "../errors.js";
import type { RateTrial } from "./bit-rates.js";
import type { Connection, ConnectionOptions } from "./connection.js";
import { type GreetingHandlers, greet, throwIfAborted } from "./greet.js";
import { noAnswer, versionMismatch } from "./sentences.js";

/** A bridge that has said HELLO, and at which bit rate. */
export interface FoundBridge {
  readonly connection: Connection;
  readonly bitRate: number;
}

/**
 * Try one bit rate after the other until a bridge answers.
 * @throws {@link SerialBridgeError} what the source throws, `no-answer`, `version-mismatch`,
 * `port-failed`, `aborted`
 */
export async function findBridge(
  source: PortSource,
  trials: readonly RateTrial[],
  options: ConnectionOptions,
  handlers: GreetingHandlers,
  signal?: AbortSignal,
): Promise<FoundBridge> {
  const wanted: number[] = [];
  const others: number[] = [];
  let answeredAt: number | undefined;
  let hasRates = true;
  let lastText: string | undefined;
  const listening: GreetingHandlers = {
    onEvent: (event) => handlers.onEvent(event),
    onChatter: (text) => {
      lastText = text;
      handlers.onChatter(text);
    },
  };
  for (const { bitRate, answerUs, isHint } of trials) {
    if (!hasRates || answeredAt !== undefined) break;
    const trial = greet(source, bitRate, { ...options, answerUs }, listening, signal);
    const connection = await (isHint ? trial.catch(() => undefined) : trial);
    throwIfAborted(signal);
    // A port that does not open a second time has nothing more to tell.
    if (!connection) break;
    (isHint ? others : wanted).push(bitRate);
    hasRates = connection.hasBitRate;
    if (connection.facts && !isHint) return { connection, bitRate };
    if (connection.facts) {
      answeredAt = bitRate;
      await connection.close();
    } else if (!isHint) refuseEnd(source.label, connection);
  }
  const { bytes, frames } = options.lineCounts;
  throw noAnswer({
    label: source.label,
    wanted: hasRates ? wanted : [],
    others,
    answeredAt,
    heardBytes: bytes,
    heardFrames: frames,
    lastText,
    framing: options.framing,
  });
}

/** Silence lets the next rate have its turn; anything else is final. */
function refuseEnd(label: string, { end }: Connection): void {
  if (end?.why === "version-mismatch" && end.versions) throw versionMismatch(label, end.versions);
  if (end?.why !== "port-closed") return;
  throw new SerialBridgeError(
    "port-failed",
    `The port ${label} was closed before a bridge answered: ${end.sentence} Plug it in and connect again.`,
  );
}
