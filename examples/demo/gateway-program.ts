import {
  type Address,
  type Endpoint,
  FardelError,
  type Receipt,
  type RemotePeer,
} from "@fardel/core";
import { sendValue, values } from "@fardel/msgpack";

/** Ordered channels that gateway and boards have agreed on. */
export const CONFIGURATION_CHANNEL = 0;
export const COMMAND_CHANNEL = 2;

const DAY_MS = 86_400_000;

/** The program of the gateway, as far as one board is concerned. */
export class GatewayProgram {
  /** Readings that its application has got. */
  readonly received = { temperatures: 0, switchings: 0 };
  readonly #endpoint: Endpoint;
  readonly #board: RemotePeer;

  constructor(endpoint: Endpoint, board: Address) {
    this.#endpoint = endpoint;
    this.#board = endpoint.peer(board);
  }

  /** Collects readings until the endpoint is closed. */
  async listen(): Promise<void> {
    for await (const reading of values(this.#endpoint.messages())) {
      if (!reading.ok) continue;
      if (reading.message.way === "latest") this.received.temperatures++;
      else this.received.switchings++;
    }
  }

  /** Pushes a configuration, ahead of nothing and in nobody's way. */
  async configure(
    configuration: Uint8Array,
    onAcknowledged: (bytes: number) => void,
  ): Promise<Receipt | FardelError> {
    return receiptOrError(
      this.#board.send(configuration, {
        priority: "bulk",
        channel: CONFIGURATION_CHANNEL,
        deadlineMs: DAY_MS,
        // Taking the same table twice does no harm, so it may be sent again after a restart.
        afterRestart: "resend",
        onProgress: ({ acknowledgedBytes }) => onAcknowledged(acknowledgedBytes),
      }),
    );
  }

  /** Switches the fan, ahead of everything that waits. */
  async switchFan(fan: "on" | "off"): Promise<Receipt | FardelError> {
    const options = { priority: "urgent", channel: COMMAND_CHANNEL } as const;
    return receiptOrError(sendValue(this.#board, { fan }, options));
  }
}

async function receiptOrError(sent: Promise<Receipt>): Promise<Receipt | FardelError> {
  try {
    return await sent;
  } catch (error) {
    if (error instanceof FardelError) return error;
    throw error;
  }
}
