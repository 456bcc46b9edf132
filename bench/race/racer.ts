/**
 * One of the two ends of a race, in a network namespace of its own. It is started by `Racer`; options
 * as JSON in the first argument.
 */
import { Random } from "@fardel/lossy-link";
import { body } from "../pair.js";
import { carrierOf, type Side } from "./contestant.js";
import type { FromRacer, RacerOptions, Task, ToRacer } from "./messages.js";
import { setUpNamespace } from "./network.js";

const place = JSON.parse(process.argv[2] ?? "") as RacerOptions;
let side: Side | undefined;

function tell(message: FromRacer): void {
  process.send?.(message);
}

/** Of CLOCK_MONOTONIC, which all processes of a computer share. */
function nowUs(): number {
  return Number(process.hrtime.bigint() / 1000n);
}

function messageOf({ bytes, seed }: Task): Uint8Array {
  return body(bytes, new Random(seed).stream("race"));
}

async function receive(task: Task): Promise<void> {
  const expected = messageOf(task);
  side = await carrierOf(task.contestant).receive(place, task, (bytes) => {
    const atUs = nowUs();
    tell({ type: "received", atUs, isIntact: Buffer.compare(bytes, expected) === 0 });
  });
  tell({ type: "listening" });
}

async function send(task: Task): Promise<void> {
  side = await carrierOf(task.contestant).send(place, messageOf(task), {
    onStart: () => tell({ type: "started", atUs: nowUs() }),
    onEnd: (isGood) => tell({ type: "done", isGood }),
  });
}

async function stop(): Promise<void> {
  const heldBytes = side?.heldBytes() ?? 0;
  await side?.stop();
  side = undefined;
  tell({ type: "stopped", heldBytes });
}

process.on("disconnect", () => process.exit());
process.on("message", (message: ToRacer) => {
  switch (message.type) {
    case "receive":
      return receive(message.task);
    case "send":
      return send(message.task);
    case "stop":
      return stop();
  }
});
setUpNamespace(place.address);
tell({ type: "ready" });
