import type { BridgeCoreOptions } from "../../serial-bridge/src/bridge/bridge-core.js";
import { encodeHostFrame, type HostFrame } from "../../serial-bridge/src/bridge-frames.js";
import { frameBytes } from "../../serial-bridge/src/frame-writer.js";
import type { HostStep, LineFault } from "./bridge-steps.js";

/**
 * The host's end of a line to some bridge: it makes bytes of the steps of a host, and remembers what a
 * host would.
 */
export class StepHost {
  readonly #options: BridgeCoreOptions;
  #token = 0;
  #to: Uint8Array = new Uint8Array(0);

  constructor(options: BridgeCoreOptions) {
    this.#options = options;
  }

  address(number: number): Uint8Array {
    const address = new Uint8Array(this.#options.facts.address.length);
    return number === 0 ? address.fill(0xff) : address.fill(0x20 + number, -1);
  }

  bytesOf(frames: readonly HostStep[], faults: readonly LineFault[], isPause: boolean): Uint8Array {
    const bytes = frames.flatMap((frame, index) => [
      ...this.#framed(frame, isPause && index === 0),
    ]);
    for (const { does, at, value } of faults) {
      const index = at % bytes.length;
      if (does === "flip") bytes[index]! ^= value || 1;
      else if (does === "drop") bytes.splice(index, 1);
      else bytes.splice(index, 0, value);
      if (bytes.length === 0) break;
    }
    return Uint8Array.from(bytes);
  }

  #framed(step: HostStep, leadingDelimiter: boolean): Uint8Array {
    const { framing } = this.#options;
    const frame = this.#frameOf(step);
    const seed = frame?.type === "send" && frame.again ? frame.to : undefined;
    const body = step.does === "body" ? step.body : encodeHostFrame(frame!);
    return frameBytes(body, { framing, leadingDelimiter, seed });
  }

  #frameOf(step: HostStep): HostFrame | undefined {
    switch (step.does) {
      case "hello":
        this.#token = 0;
        return {
          type: "hello-request",
          host: step.host,
          versionMin: step.least,
          versionMax: step.most,
        };
      case "send":
        return this.#send(step);
      case "channel?":
        return {
          type: "channel-request",
          request: step.request || 1,
          channel: step.channel || 1,
        };
      case "status?":
        return { type: "status-request", request: step.request || 1 };
      case "statistics?":
        return { type: "statistics-request", request: step.request || 1 };
      case "goodbye":
        return { type: "goodbye" };
      case "body":
        return undefined;
    }
  }

  #send({ to, skip, again, length }: Extract<HostStep, { does: "send" }>): HostFrame {
    const token = (this.#token + skip) & 0xff;
    this.#token = (token + 1) & 0xff;
    const isAgain = again && this.#to.length > 0;
    if (!isAgain) this.#to = this.address(to);
    const datagram = new Uint8Array(length).map((_, index) => (token + index) & 0xff);
    return { type: "send", token, to: this.#to, datagram, again: isAgain };
  }
}
