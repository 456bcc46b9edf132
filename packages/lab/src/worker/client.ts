import { LabError } from "../run/lab-error.js";
import type { RunRecord } from "../run/record.js";
import type { LabSettings } from "../run/settings.js";
import type { SweepRecord } from "../run/sweep.js";
import type { Answer, Order } from "./messages.js";

/** A worker, as far as it matters here. */
export interface LabWorker {
  /** Called once, before anything else. */
  listen(onAnswer: (answer: Answer) => void, onError: (why: string) => void): void;
  post(order: Order): void;
  /** At once, whatever it does. */
  end(): void;
}

export interface JobOptions {
  /** What is sent if the load is `file`. Copied. */
  readonly file?: Uint8Array | undefined;
  /** Ends the job: its promise rejects at once with `stopped`. */
  readonly signal?: AbortSignal | undefined;
  /** Share that is done, 0..1. */
  readonly onProgress?: ((share: number) => void) | undefined;
}

export interface SweepJobOptions extends JobOptions {
  /** After each seed: its time, microseconds, or `NaN`, as in {@link SweepRecord}. */
  readonly onSeed?: ((timeUs: number) => void) | undefined;
}

interface Job {
  readonly order: Exclude<Order, { type: "stop" }>;
  readonly onProgress: ((share: number) => void) | undefined;
  readonly onSeed: ((timeUs: number) => void) | undefined;
  readonly resolve: (answer: Answer) => void;
  readonly reject: (error: LabError) => void;
  /** Told to its owner already. */
  isSettled: boolean;
}

/** Two runs to compare, and a sweep. What comes beyond waits. */
const WORKERS_MAX = 3;
/** For how long a worker may go on with a job that was stopped, before it is replaced. */
const STOP_MS_MAX = 3_000;

/** Runs simulations in workers, each job in one of its own. */
export class LabEngine {
  readonly #makeWorker: () => LabWorker;
  readonly #idle: LabWorker[] = [];
  readonly #busy = new Map<LabWorker, Job>();
  readonly #waiting: Job[] = [];
  #jobs = 0;

  /** @param makeWorker - may throw, if there can be none */
  constructor(makeWorker: () => LabWorker) {
    this.#makeWorker = makeWorker;
  }

  /**
   * Runs the settings once.
   * @throws LabError `bad-settings`, `no-file`, `stopped`, `worker-failed`
   */
  async run(settings: LabSettings, options: JobOptions = {}): Promise<RunRecord> {
    const { file } = options;
    const answer = await this.#start({ type: "run", job: ++this.#jobs, settings, file }, options);
    if (answer.type !== "run-done") throw unexpected();
    return answer.record;
  }

  /**
   * Runs the settings with so many seeds.
   * @throws LabError as {@link LabEngine.run}
   */
  async sweep(
    settings: LabSettings,
    seeds: number,
    options: SweepJobOptions = {},
  ): Promise<SweepRecord> {
    const { file } = options;
    const order = { type: "sweep", job: ++this.#jobs, settings, file, seeds } as const;
    const answer = await this.#start(order, options);
    if (answer.type !== "sweep-done") throw unexpected();
    return answer.sweep;
  }

  /** Ends all workers; what is under way rejects with `stopped`. */
  close(): void {
    for (const job of [...this.#busy.values(), ...this.#waiting]) this.#fail(job, stopped());
    for (const worker of [...this.#busy.keys(), ...this.#idle]) worker.end();
    this.#busy.clear();
    this.#idle.length = 0;
    this.#waiting.length = 0;
  }

  #start(order: Job["order"], options: SweepJobOptions): Promise<Answer> {
    const { signal, onProgress, onSeed } = options;
    return new Promise((resolve, reject) => {
      const job: Job = { order, onProgress, onSeed, resolve, reject, isSettled: false };
      if (signal?.aborted) {
        this.#fail(job, stopped());
        return;
      }
      signal?.addEventListener("abort", () => this.#stop(job), { once: true });
      this.#waiting.push(job);
      this.#startNext();
    });
  }

  #startNext(): void {
    while (this.#waiting.length > 0) {
      if (this.#idle.length === 0 && this.#busy.size >= WORKERS_MAX) return;
      const job = this.#waiting.shift()!;
      try {
        const worker = this.#idle.pop() ?? this.#employ();
        this.#busy.set(worker, job);
        worker.post(job.order);
      } catch (error) {
        this.#fail(job, broken(error instanceof Error ? error.message : String(error)));
      }
    }
  }

  #employ(): LabWorker {
    const worker = this.#makeWorker();
    const onError = (why: string) => {
      const job = this.#busy.get(worker);
      this.#dismiss(worker);
      if (job !== undefined) this.#fail(job, broken(why));
      this.#startNext();
    };
    worker.listen((answer) => this.#take(worker, answer), onError);
    return worker;
  }

  #take(worker: LabWorker, answer: Answer): void {
    const job = this.#busy.get(worker);
    if (job === undefined) return;
    switch (answer.type) {
      case "progress":
        if (!job.isSettled) job.onProgress?.(answer.share);
        return;
      case "seed-done":
        if (job.isSettled) return;
        job.onProgress?.(answer.share);
        job.onSeed?.(answer.timeUs);
        return;
      case "failed":
        this.#fail(job, new LabError(answer.code, answer.sentence));
        break;
      default:
        if (!job.isSettled) job.resolve(answer);
        job.isSettled = true;
    }
    this.#busy.delete(worker);
    this.#idle.push(worker);
    this.#startNext();
  }

  #stop(job: Job): void {
    if (job.isSettled) return;
    this.#fail(job, stopped());
    const place = this.#waiting.indexOf(job);
    if (place >= 0) this.#waiting.splice(place, 1);
    for (const [worker, other] of this.#busy) {
      if (other !== job) continue;
      worker.post({ type: "stop", job: job.order.job });
      setTimeout(() => {
        if (this.#busy.get(worker) !== job) return;
        this.#dismiss(worker);
        this.#startNext();
      }, STOP_MS_MAX);
    }
  }

  #dismiss(worker: LabWorker): void {
    this.#busy.delete(worker);
    const place = this.#idle.indexOf(worker);
    if (place >= 0) this.#idle.splice(place, 1);
    worker.end();
  }

  #fail(job: Job, error: LabError): void {
    if (!job.isSettled) job.reject(error);
    job.isSettled = true;
  }
}

function stopped(): LabError {
  return new LabError("stopped", "The run was stopped.");
}

function broken(why: string): LabError {
  return new LabError("worker-failed", `The simulation cannot run here: ${why}. Reload the page.`);
}

function unexpected(): LabError {
  return broken("the worker gave another answer than was asked for");
}
