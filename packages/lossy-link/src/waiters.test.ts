import { MessageChannel } from "node:worker_threads";
import { describe, expect, it } from "vitest";
import { nextTaskOf, type TaskHost } from "./waiters.js";

/** Runs what is scheduled once a chain of promises of this length is through. */
async function orderAfter(host: TaskHost, depth: number): Promise<string[]> {
  const order: string[] = [];
  const chain = async (): Promise<void> => {
    for (let link = 0; link < depth; link++) await null;
    order.push("chain");
  };
  void chain();
  await nextTaskOf(host)();
  order.push("task");
  return order;
}

const channelHost = { MessageChannel } as unknown as TaskHost;

describe("nextTask", () => {
  it("comes after all promise callbacks: setImmediate", async () => {
    expect(await orderAfter({ setImmediate }, 100)).toEqual(["chain", "task"]);
  });

  it("comes after all promise callbacks: MessageChannel, where there is no setImmediate", async () => {
    expect(await orderAfter(channelHost, 100)).toEqual(["chain", "task"]);
  });

  it("comes after all promise callbacks: setTimeout, where there is nothing else", async () => {
    const host: TaskHost = { setTimeout: (run, delayMs) => setTimeout(run, delayMs) };
    expect(await orderAfter(host, 100)).toEqual(["chain", "task"]);
  });

  it("can be waited for by many, again and again", async () => {
    const nextTask = nextTaskOf(channelHost);
    const order: number[] = [];
    const waits = [0, 1, 2].map(async (index) => {
      await nextTask();
      order.push(index);
      await nextTask();
      order.push(10 + index);
    });
    await Promise.all(waits);
    expect(order).toEqual([0, 1, 2, 10, 11, 12]);
  });
});
