import type { FromRacer, Task } from "./messages.js";
import { Racer } from "./racer-process.js";
import { type AirOptions, Relay, type RelayProgram, type RelayStatistics } from "./relay.js";

/** For documentation (RFC 5737): no route leads out of the namespaces in any case. */
const ADDRESSES = ["192.0.2.1", "192.0.2.2"] as const;

/** How long to wait for what is in the relay's queue when the sender is through, ms: 64 frames take 186. */
const REST_MS = 500;

type Received = Extract<FromRacer, { readonly type: "received" }>;

/** How one message was carried. */
export interface Outcome {
  /**
   * `done`: it arrived whole and as it was sent. `late`: it was still under way at the limit. `failed`:
   * the sender was through, and it was not there.
   */
  readonly end: "done" | "late" | "failed";
  /** From the first call of the sender until the receiver's application had the last byte, if `done`. */
  readonly elapsedUs: number;
  /** What of the message had arrived. */
  readonly heldBytes: number;
  readonly relay: RelayStatistics;
}

/** Two namespaces, a process in each, and a relay between them for each run. */
export class Lane {
  readonly #program: RelayProgram;
  readonly #sender: Racer;
  readonly #receiver: Racer;

  private constructor(program: RelayProgram, sender: Racer, receiver: Racer) {
    this.#program = program;
    this.#sender = sender;
    this.#receiver = receiver;
  }

  static async open(program: RelayProgram): Promise<Lane> {
    const [one, other] = ADDRESSES;
    const starting = [
      Racer.start({ address: one, other }),
      Racer.start({ address: other, other: one }),
    ] as const;
    try {
      return new Lane(program, ...(await Promise.all(starting)));
    } catch (error) {
      for (const racer of await Promise.allSettled(starting)) {
        if (racer.status === "fulfilled") await racer.value.close();
      }
      throw error;
    }
  }

  /** One message over an air of its own. One at a time. */
  async run(task: Task, air: AirOptions, limitMs: number): Promise<Outcome> {
    const [sender, receiver] = [this.#sender, this.#receiver];
    const relay = await Relay.start(this.#program, air, [sender.namespace, receiver.namespace]);
    let ended: { received: Received | "missing" | undefined; startedUs: number };
    try {
      ended = await this.#race(task, limitMs);
    } catch (error) {
      await relay.end();
      throw error;
    }
    // First the relay: what the two say in parting is not part of the race.
    const statistics = await relay.end();
    for (const racer of [sender, receiver]) racer.tell({ type: "stop" });
    const { heldBytes } = await receiver.hear("stopped");
    await sender.hear("stopped");
    const { received, startedUs } = ended;
    const isDone = typeof received === "object" && received.isIntact;
    return {
      end: isDone ? "done" : received === undefined ? "late" : "failed",
      elapsedUs: isDone ? received.atUs - startedUs : 0,
      heldBytes: isDone ? task.bytes : heldBytes,
      relay: statistics,
    };
  }

  /** `received`: `undefined` if it was not over at the limit. */
  async #race(task: Task, limitMs: number) {
    const [sender, receiver] = [this.#sender, this.#receiver];
    for (const racer of [sender, receiver]) racer.forget();
    receiver.tell({ type: "receive", task });
    await receiver.hear("listening");
    sender.tell({ type: "send", task });
    const { atUs: startedUs } = await sender.hear("started");
    return { startedUs, received: await within(limitMs, this.#end()) };
  }

  /** When the sender is through: what the receiver has, or `missing`. */
  async #end(): Promise<Received | "missing"> {
    const { isGood } = await this.#sender.hear("done");
    const received = isGood && (await within(REST_MS, this.#receiver.hear("received")));
    return received || "missing";
  }

  async close(): Promise<void> {
    await Promise.all([this.#sender.close(), this.#receiver.close()]);
  }
}

/** @returns `undefined` if it takes longer */
async function within<T>(limitMs: number, promise: Promise<T>): Promise<T | undefined> {
  let timer: ReturnType<typeof setTimeout> | undefined;
  const limit = new Promise<undefined>((resolve) => {
    timer = setTimeout(() => resolve(undefined), limitMs);
  });
  try {
    return await Promise.race([promise, limit]);
  } finally {
    clearTimeout(timer);
  }
}
