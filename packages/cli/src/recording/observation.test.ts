import { mkdtemp, readFile, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { Endpoint } from "@fardel/core";
import { formatAddress, lossyPair, type Observation, presets } from "@fardel/lossy-link";
import { afterEach, beforeEach, describe, expect, it } from "vitest";
import type { OpenLink } from "../link-address/open-link.js";
import { passTime, TestContext } from "../test-context.js";
import { withObservation } from "./observation.js";
import { type RecordingItem, readRecording } from "./reader.js";

let folder = "";
beforeEach(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-observation-"));
});
afterEach(() => rm(folder, { recursive: true }));

function channel() {
  const context = new TestContext();
  const { clock } = context;
  const { a, b, medium } = lossyPair({ ...presets.reference(), clock, seed: 3, loss: 0.2 });
  let closed = 0;
  const open: OpenLink = {
    link: a,
    describe: "a test",
    parseAddress: async () => b.localAddress,
    formatAddress,
    close: async () => {
      closed++;
      a.close();
    },
  };
  return { context, clock, a, b, medium, open, closings: () => closed };
}

async function itemsOf(path: string): Promise<RecordingItem[]> {
  async function* content() {
    yield await readFile(path);
  }
  const items: RecordingItem[] = [];
  for await (const item of (await readRecording(content(), path)).items()) items.push(item);
  return items;
}

describe("withObservation", () => {
  it("leaves the link alone when nothing is asked for", async () => {
    const { open, context } = channel();
    await expect(withObservation(open, context, { link: "lossy:" })).resolves.toBe(open);
  });

  it("records every datagram of a transfer, in order, with its outcome", async () => {
    const { open, context, clock, a, b, medium, closings } = channel();
    const seen: Observation[] = [];
    medium.observe((observation) =>
      seen.push({ ...observation, datagram: observation.datagram.slice() }),
    );
    const record = join(folder, "night.jsonl");
    const observed = await withObservation(open, context, { link: "lossy:", record });
    const gateway = await Endpoint.open({ link: observed.link, clock });
    const board = await Endpoint.open({ link: b, clock });
    board.onMessage(() => {});
    await passTime(clock, gateway.peer(b.localAddress).send(new Uint8Array(10_000)));
    await passTime(clock, gateway.close());
    await clock.run({ untilUs: clock.nowUs() + 100_000 });
    await Promise.all([observed.close(), observed.close()]);
    expect(closings()).toBe(1);

    const datagrams = (await itemsOf(record)).map((item) => {
      if (item.type !== "datagram") throw new Error(`here is ${item.type}`);
      return item.datagram;
    });
    const sent = datagrams.filter(({ direction }) => direction === "sent");
    const fromUs = seen.filter(({ from }) => formatAddress(from) === formatAddress(a.localAddress));
    // What was under way when the link was closed is `gone`, and recorded as well.
    expect(sent.length).toBeGreaterThanOrEqual(fromUs.length);
    expect(sent.slice(0, fromUs.length).map(({ bytes }) => bytes)).toEqual(
      fromUs.map(({ datagram }) => datagram),
    );
    expect(sent.every(({ outcome }) => outcome !== undefined)).toBe(true);
    const received = datagrams.filter(({ direction }) => direction === "received");
    expect(received).toHaveLength(a.statistics.received.datagrams);
    const times = datagrams.map(({ atUs }) => atUs);
    expect(times).toEqual([...times].sort((one, other) => one - other));
    expect(context.err).toBe(`Recorded ${datagrams.length} datagrams in ${record}.\n`);
  });

  it("prints datagrams where they do not disturb results", async () => {
    const { open, context, clock, b } = channel();
    const observed = await withObservation(open, context, { link: "lossy:", trace: true });
    const gateway = await Endpoint.open({ link: observed.link, clock });
    gateway.peer(b.localAddress).send(new Uint8Array(5), { way: "unacknowledged" });
    await clock.run({ untilUs: 10_000 });
    expect(context.out).toBe("");
    expect(context.err).toMatch(
      /^ +0\.\d{6} {2}to {3}02:00:00:00:00:0b .* hello version 1 .*loose/,
    );
    await gateway.close();
    await observed.close();
  });

  it("closes the link when the recording cannot be made", async () => {
    const { open, context, closings } = channel();
    for (const record of ["-", folder, join(folder, "no", "such")]) {
      await expect(withObservation(open, context, { link: "lossy:", record })).rejects.toThrow();
    }
    expect(closings()).toBe(3);
  });
});
