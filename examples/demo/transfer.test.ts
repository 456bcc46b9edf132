import { FardelError } from "@fardel/core";
import { describe, expect, it } from "vitest";
import { type DemoOptions, parseOptions } from "./options.js";
import { describeOutcome, isWhole } from "./report.js";
import { type DemoEvent, RADIO_OFF_US, runTransfer } from "./transfer.js";

const defaults = parseOptions([]) as DemoOptions;
const table = Uint8Array.from({ length: 12_000 }, (_, index) => (index * 31) ^ (index >> 8));

async function run(blob: Uint8Array, options: Partial<DemoOptions> = {}) {
  const events: DemoEvent[] = [];
  const outcome = await runTransfer(blob, { ...defaults, ...options }, (event) =>
    events.push(event),
  );
  const atUs = (type: DemoEvent["type"]) => events.find((event) => event.type === type)?.atUs ?? -1;
  return { outcome, events, atUs };
}

describe("the demo", () => {
  it.each([1, 2, 3, 4, 5])("brings the blob across whole, seed %d", async (seed) => {
    const { outcome, atUs } = await run(table, { seed });
    expect(isWhole(outcome)).toBe(true);
    expect(outcome.medium.lost.datagrams).toBeGreaterThan(0);
    expect(atUs("radio-on") - atUs("radio-off")).toBe(RADIO_OFF_US);
    expect(atUs("radio-off")).toBeLessThan(atUs("blob-arrived"));
    // The command was sent after the blob and is there long before it.
    expect(atUs("command-sent")).toBeGreaterThan(atUs("blob-sent"));
    expect(atUs("command-arrived")).toBeLessThan(atUs("blob-arrived"));
    expect(outcome.command.acknowledgedBytes).toBeLessThan(table.length);
    expect(outcome.received.temperatures).toBeGreaterThan(0);
    const { sent, delivered, replaced, failed } = outcome.temperatures;
    expect(delivered + replaced + failed).toBe(sent);
    expect(outcome.received.switchings).toBe(outcome.switchings.sent);
  });

  it("goes the same way each time with the same seed, another with another", async () => {
    const [one, same, other] = [await run(table), await run(table), await run(table, { seed: 2 })];
    expect(same).toMatchObject({ events: one.events, outcome: one.outcome });
    expect(other.events).not.toEqual(one.events);
  });

  it("is never faster than the channel's limit allows without loss", async () => {
    const { outcome } = await run(table, { lossRate: 0, burstDatagrams: 1, window: 64 });
    const limitUs = (table.length / 250) * outcome.fullFrameUs;
    expect(outcome.arrival?.atUs).toBeGreaterThan(limitUs);
    expect(describeOutcome(outcome, { ...defaults, lossRate: 0 })).toContain("100 % get through");
  });

  it.each([
    ["nothing", 0, {}],
    ["one byte", 1, {}],
    ["less than a datagram", 200, {}],
    ["more than a window of the smallest datagrams", 3000, { datagramBytes: 20, window: 1 }],
    ["more than the default limit of a message", 1_200_000, { window: 64 }],
  ])("takes %s", async (_what, bytes, options) => {
    const { outcome } = await run(new Uint8Array(bytes).fill(7), options);
    expect(isWhole(outcome)).toBe(true);
    expect(outcome.command.arrivedUs).toBeDefined();
    expect(describeOutcome(outcome, defaults)).not.toMatch(/NaN|Infinity|undefined/);
  });

  it("says so when nothing gets through", async () => {
    const { outcome } = await run(table, { lossRate: 1 });
    expect(isWhole(outcome)).toBe(false);
    expect(outcome.end).toBeInstanceOf(FardelError);
    const report = describeOutcome(outcome, { ...defaults, lossRate: 1 });
    expect(report).toContain("NO, nothing was delivered");
    expect(report).toContain("peer-unreachable");
    expect(report).not.toMatch(/NaN|Infinity|undefined/);
  });

  it("says so when what arrived differs", async () => {
    const { outcome } = await run(table);
    const arrival = { ...outcome.arrival!, hash: "0".repeat(64) };
    expect(isWhole({ ...outcome, arrival })).toBe(false);
    expect(describeOutcome({ ...outcome, arrival }, defaults)).toContain("NO, it differs");
  });
});
