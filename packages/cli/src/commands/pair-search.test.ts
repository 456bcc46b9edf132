import { Endpoint } from "@fardel/core";
import { describe, expect, it } from "vitest";
import { openLink } from "../link-address/open-link.js";
import { readPairedBoards, withPairedBoards } from "../paired/paired-boards.js";
import { passTime, TestContext } from "../test-context.js";
import type { Wanted } from "./pair-choice.js";
import { PairGuide } from "./pair-guide.js";
import { BoardSearch } from "./pair-search.js";

const SECOND_US = 1_000_000;

async function search(linkText: string, wanted: Wanted, timeoutUs: number, isJson = false) {
  const context = new TestContext();
  const { clock } = context;
  const link = await openLink(linkText, context, { isFindable: true });
  const open = withPairedBoards(link, await readPairedBoards({}, context), context);
  const endpoint = await Endpoint.open({ link: open.link, clock });
  const guide = new PairGuide(context, isJson);
  const commandFor = (address: string) => `fardel pair ${address}`;
  const settings = { wanted, timeoutUs, needsPairingMode: true, commandFor };
  const startUs = clock.nowUs();
  const running = new BoardSearch(open, settings, guide, context).run(endpoint, context.signal);
  const outcome = await passTime(
    clock,
    running.catch((error: unknown) => error),
  );
  const tookUs = clock.nowUs() - startUs;
  await endpoint.close();
  await open.close();
  return { context, outcome, tookUs };
}

describe("the search for a board", () => {
  it("ends as soon as one is chosen, and then asks no more", async () => {
    const nearest = await search("lossy:distance=1", { by: "nearness" }, 60 * SECOND_US);
    expect(nearest.outcome).toMatchObject({ view: { found: { name: "row-1" } } });
    expect(nearest.tookUs).toBeLessThan(10 * SECOND_US);
    const address = Uint8Array.of(2, 0, 0, 0, 0, 3);
    const wanted = { by: "address", address } as const;
    const there = await search("lossy:boards=2", wanted, 60 * SECOND_US);
    expect(there.outcome).toMatchObject({ address, view: { found: { name: "row-2" } } });
    expect(there.tookUs).toBeLessThan(3 * SECOND_US);
  });

  it("ends when its time is over", async () => {
    const { outcome, tookUs } = await search("lossy:loss=1", { by: "nearness" }, 5 * SECOND_US);
    expect(outcome).toMatchObject({ code: "nobody-heard" });
    expect(tookUs).toBeGreaterThanOrEqual(5 * SECOND_US);
    expect(tookUs).toBeLessThan(6 * SECOND_US);
    const short = await search("lossy:loss=1", { by: "nearness" }, SECOND_US);
    expect(short.outcome).toMatchObject({ message: expect.stringContaining("Raise --timeout") });
  });

  it("lists so many boards and no more; each doubt once", async () => {
    const link = "lossy:boards=40,distance=1,spacing=0.1";
    const { context, outcome } = await search(link, { by: "nearness" }, 10 * SECOND_US);
    expect(outcome).toMatchObject({ exitCode: 1 });
    const lines = context.err.split("\n");
    expect(lines.filter((line) => line.startsWith("  row-"))).toHaveLength(20);
    expect(lines.filter((line) => line === "  … and more")).toHaveLength(1);
    const doubts = lines.filter((line) => line.includes("about as near"));
    expect(doubts.length).toBeLessThanOrEqual(20);
    expect(new Set(doubts.map((line) => line.replace(/-\d+ dBm/g, ""))).size).toBe(doubts.length);
  });
});
