import { Lane, type Outcome } from "./lane.js";
import type { Contestant, Task } from "./messages.js";
import { type AirOptions, RelayProgram } from "./relay.js";

/** Where races are run. */
export interface Track {
  /** Resolves when it is over; several may be asked for at once, and start in that order. */
  run(task: Task, air: AirOptions, limitMs: number): Promise<Outcome>;
  close(): Promise<void>;
}

/** Several lanes side by side: each has namespaces of its own, so that they share only the processor. */
export class Lanes implements Track {
  readonly #program: RelayProgram;
  readonly #lanes: readonly Lane[];
  readonly #free: Lane[];
  readonly #waiting: ((lane: Lane) => void)[] = [];

  private constructor(program: RelayProgram, lanes: readonly Lane[]) {
    this.#program = program;
    this.#lanes = lanes;
    this.#free = [...lanes];
  }

  /** @param warmUp - each lane carries a small message with each of these first */
  static async open(count: number, warmUp: readonly Contestant[]): Promise<Lanes> {
    const program = new RelayProgram();
    const lanes: Lane[] = [];
    try {
      while (lanes.length < count) lanes.push(await Lane.open(program));
      await Promise.all(lanes.map((lane) => warm(lane, warmUp)));
      return new Lanes(program, lanes);
    } catch (error) {
      await new Lanes(program, lanes).close();
      throw error;
    }
  }

  async run(task: Task, air: AirOptions, limitMs: number): Promise<Outcome> {
    const lane = this.#free.pop() ?? (await this.#nextFree());
    try {
      return await lane.run(task, air, limitMs);
    } finally {
      const next = this.#waiting.shift();
      if (next) next(lane);
      else this.#free.push(lane);
    }
  }

  #nextFree(): Promise<Lane> {
    return new Promise((resolve) => this.#waiting.push(resolve));
  }

  /** What still waits for a lane waits for ever: nobody asks any more. */
  async close(): Promise<void> {
    this.#waiting.length = 0;
    await Promise.all(this.#lanes.map((lane) => lane.close()));
    this.#program.remove();
  }
}

const WARM_UP_BYTES = 16_384;
const WARM_UP_AIR: AirOptions = { loss: 0, seed: 1, queueFrames: 64, order: "first-come" };
const WARM_UP_MS_MAX = 5000;

/** So that no measured run has to wait for code to be compiled. */
async function warm(lane: Lane, contestants: readonly Contestant[]): Promise<void> {
  for (const contestant of contestants) {
    const task = { contestant, bytes: WARM_UP_BYTES, seed: 1 };
    await lane.run(task, WARM_UP_AIR, WARM_UP_MS_MAX);
  }
}
