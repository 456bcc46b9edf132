import { describe, expect, it } from "vitest";
import { parseScenario } from "../scenario/parse.js";
import { AirLog, DATAGRAMS_KEPT_MAX, MAILS_KEPT_MAX } from "./air-log.js";
import { runOnce } from "./run-once.js";

async function logOf(scenario: object) {
  const [each] = parseScenario("test", JSON.stringify(scenario)).cases;
  const log = new AirLog();
  const run = await runOnce(each!, 1, new AbortController().signal, { watcher: log });
  return { log, run: run! };
}

describe("the log of the air", () => {
  it("has each datagram once, with its sender and whether it arrived", async () => {
    const link = { loss: 0.2, duplicate: 0.3, corrupt: 0.1 };
    const messages = [{ from: "gateway", bytes: 3000, count: 3 }];
    const { log, run } = await logOf({ link, messages });
    expect(log.datagrams).toHaveLength(run.datagrams);
    expect(log.datagramsInAll).toBe(run.datagrams);
    expect(new Set(log.datagrams.map(({ from }) => from))).toEqual(new Set([0, 1]));
    const times = log.datagrams.map(({ atUs }) => atUs);
    expect(times).toEqual([...times].sort((one, other) => one - other));
    const arrived = log.datagrams.filter(({ hasArrived }) => hasArrived).length;
    expect(arrived / run.datagrams).toBeGreaterThan(0.5);
    expect(arrived / run.datagrams).toBeLessThan(0.9);
    expect(log.mails.map(({ deliveredUs }) => deliveredUs !== undefined)).toEqual([
      true,
      true,
      true,
    ]);
  });

  it("keeps the first ones only, and counts the rest", async () => {
    const messages = [
      { from: "board", bytes: 8, count: 6000, way: "unacknowledged", everyS: 0.01 },
    ];
    const { log, run } = await logOf({ messages });
    expect(log.datagrams).toHaveLength(DATAGRAMS_KEPT_MAX);
    expect(log.datagramsInAll).toBe(run.datagrams);
    expect(log.mails).toHaveLength(MAILS_KEPT_MAX);
    expect(log.mailsInAll).toBe(6000);
  });
});
