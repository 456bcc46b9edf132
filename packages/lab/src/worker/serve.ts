import { LabError } from "../run/lab-error.js";
import type { RunRecord } from "../run/record.js";
import { runLab } from "../run/run-lab.js";
import { sweepSeeds } from "../run/sweep.js";
import type { Answer, Order } from "./messages.js";

/**
 * Takes orders and answers them, one after the other or several at once: each gives way to the next
 * message some hundred times a second.
 *
 * @param tell - posts an answer; the buffers go over without being copied
 * @returns what to call with each order
 */
export function serveLab(
  tell: (answer: Answer, buffers: readonly ArrayBufferLike[]) => void,
): (order: Order) => void {
  const stopped = new Set<number>();
  const running = new Set<number>();
  return (order) => {
    if (order.type === "stop") {
      if (running.has(order.job)) stopped.add(order.job);
      return;
    }
    const { job } = order;
    running.add(job);
    carryOut(order, () => stopped.has(job), tell)
      .catch((error: unknown) => tell(failure(job, error), []))
      .finally(() => {
        running.delete(job);
        stopped.delete(job);
      });
  };
}

async function carryOut(
  order: Exclude<Order, { type: "stop" }>,
  shouldStop: () => boolean,
  tell: (answer: Answer, buffers: readonly ArrayBufferLike[]) => void,
): Promise<void> {
  const { job, settings, file } = order;
  if (order.type === "run") {
    const onProgress = (share: number) => tell({ type: "progress", job, share }, []);
    const record = await runLab(settings, { file, shouldStop, onProgress });
    tell({ type: "run-done", job, record }, buffersOf(record));
    return;
  }
  const sweep = await sweepSeeds(settings, order.seeds, {
    file,
    shouldStop,
    onResult: (share, timeUs) => tell({ type: "seed-done", job, share, timeUs }, []),
  });
  tell({ type: "sweep-done", job, sweep }, [sweep.timesUs.buffer]);
}

function failure(job: number, error: unknown): Answer {
  if (error instanceof LabError) {
    return { type: "failed", job, code: error.code, sentence: error.message };
  }
  const what = error instanceof Error ? error.message : String(error);
  const sentence = `The simulation failed: ${what} Change a setting, or reload the page.`;
  return { type: "failed", job, code: "worker-failed", sentence };
}

/** Everything in a record that need not be copied on its way to the page. */
export function buffersOf(record: RunRecord): ArrayBufferLike[] {
  const buffers = new Set<ArrayBufferLike>();
  const parts = record.transfers.flatMap((transfer) => [
    transfer,
    transfer.sends,
    transfer.losses,
    transfer.window,
  ]);
  for (const part of [record.datagrams, ...parts]) {
    for (const value of Object.values(part)) {
      if (ArrayBuffer.isView(value)) buffers.add(value.buffer);
    }
  }
  return [...buffers];
}
