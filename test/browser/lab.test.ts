import { mkdtemp, readFile, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { readCapture } from "@fardel/capture";
import type { Browser, BrowserContextOptions, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../system-commands.js";
import { labFile, launchChromium, type OpenPage, openPage, PageServer } from "./chromium.js";

/** What the page lets a test ask for; see its src/state/probe.ts. */
declare global {
  interface Window {
    readonly fardelLab?: {
      readonly frames: {
        readonly frames: number;
        readonly perSecond: number;
        readonly drawingMs: { readonly median: number; readonly p95: number };
      };
    };
  }
}

/** A run of the lab takes a second or two; the machine may be busy with other tests. */
const RUN_MS = 60_000;
const DESK = { width: 1280, height: 900 };
const PHONE = { width: 390, height: 844 };

let browser: Browser;
let server: PageServer;
let file = "";
let folder = "";
let opened: OpenPage[] = [];

/** The clock runs from the start; a test that looks at one instant stops it. */
async function stopClock(page: Page): Promise<void> {
  const pause = page.getByRole("button", { name: "Pause", exact: true });
  if (await pause.isVisible()) await pause.click();
}

async function open(query = "", options: BrowserContextOptions = {}): Promise<OpenPage> {
  const lab = await openPage(browser, server.url + query, { viewport: DESK, ...options });
  lab.page.setDefaultTimeout(RUN_MS);
  opened.push(lab);
  await lab.page.waitForSelector(".ending", { timeout: RUN_MS });
  return lab;
}

const ending = async (page: Page) => (await page.locator(".ending").first().textContent()) ?? "";
const scrubber = (page: Page) => page.getByRole("slider", { name: "Time in the run" });
const valueText = (page: Page) => scrubber(page).getAttribute("aria-valuetext");

/** The figure of the panel "What it comes to". */
async function figure(page: Page, name: string): Promise<string> {
  const row = page.locator("#figures tr, #figures dl > div").filter({ hasText: name }).first();
  return ((await row.locator("td, dd").last().textContent()) ?? "").trim();
}

describe.skipIf(lacksCommands("chromium"))("the lab page", () => {
  beforeAll(async () => {
    file = labFile();
    server = await PageServer.start(file);
    browser = await launchChromium();
    folder = await mkdtemp(join(tmpdir(), "fardel-lab-"));
  }, 240_000);

  afterAll(async () => {
    await browser?.close();
    await server?.close();
    if (folder) await rm(folder, { recursive: true, force: true });
  });

  afterEach(async () => {
    for (const { close } of opened) await close();
    opened = [];
  });

  it("runs to the end, and says what came of it", async () => {
    const { page, complaints } = await open();
    expect(await ending(page)).toMatch(
      /^The blob has arrived, whole\. It took .*% of what the channel can carry/,
    );
    await page.getByRole("button", { name: "To the end" }).click();
    // What is read aloud follows a little later: it must not change with every frame.
    await expect
      .poll(() => valueText(page), { timeout: RUN_MS })
      .toMatch(/^(?<at>.+second.*) of \k<at>\. /);
    expect(complaints).toEqual([]);
  });

  it("plays by itself, pauses, and steps from datagram to datagram", async () => {
    const { page, complaints } = await open();
    await stopClock(page);
    await page.getByRole("button", { name: "To the start" }).click();
    const step = page.getByRole("button", { name: "Forward one datagram" });
    const seen = new Set<string>();
    for (let count = 0; count < 12; count++) {
      await step.click();
      seen.add((await page.locator(".clock").textContent()) ?? "");
    }
    expect(seen.size).toBe(12);
    await page.getByRole("button", { name: "Back one datagram" }).click();
    expect(seen).toContain(await page.locator(".clock").textContent());
    const before = Number(await scrubber(page).inputValue());
    await page.getByRole("button", { name: "Play", exact: true }).click();
    await page.waitForFunction(
      (start) => {
        const slider = document.querySelector<HTMLInputElement>(".scrubber input");
        return slider !== null && slider.valueAsNumber > start;
      },
      before,
      { timeout: RUN_MS },
    );
    expect(complaints).toEqual([]);
  });

  it("scrubs back and forth: the same instant shows the same picture", async () => {
    const { page } = await open();
    await stopClock(page);
    const scrubTo = async (share: number) => {
      await scrubber(page).evaluate((slider: HTMLInputElement, at) => {
        slider.value = String(Number(slider.max) * at);
        slider.dispatchEvent(new Event("input", { bubbles: true }));
      }, share);
      await page.evaluate(
        () => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done))),
      );
    };
    const look = async (share: number) => {
      await scrubTo(share);
      return {
        air: (await page.locator("#air .picture").screenshot()).toString("hex"),
        cells: (await page.locator("#cells .picture").screenshot()).toString("hex"),
      };
    };
    const first = await look(0.4);
    const later = await look(0.8);
    const start = await look(0);
    expect(later).not.toEqual(first);
    expect(start.cells).not.toBe(first.cells);
    expect(await look(0.4)).toEqual(first);
    expect(await look(0)).toEqual(start);
  });

  it("carries a file of 300 kB", async () => {
    const { page, complaints } = await open();
    const path = join(folder, "orchard-table.bin");
    await writeFile(
      path,
      Uint8Array.from({ length: 300_000 }, (_, at) => (at * 7919) >> 3),
    );
    await page.getByLabel("What", { exact: true }).selectOption({ label: "a file of your own" });
    await page.getByLabel("Your file").setInputFiles(path);
    await page.locator("#figures", { hasText: /Delivered\s*300(\.0)? kB/ }).waitFor();
    expect(await ending(page)).toMatch(/^The blob has arrived, whole\./);
    expect(complaints).toEqual([]);
  });

  it("keeps the setting in its address: a colleague sees the same run", async () => {
    const mine = await open();
    await mine.page.getByLabel("Loss").first().fill("35");
    await mine.page.getByLabel("Loss").first().press("Tab");
    await mine.page.waitForFunction(() => location.search.length + location.hash.length > 3);
    const before = await ending(mine.page);
    await mine.page
      .waitForFunction((text) => document.querySelector(".ending")?.textContent !== text, before, {
        timeout: RUN_MS,
      })
      .catch(() => {});
    const address = mine.page.url().slice(server.url.length);
    expect(address).toMatch(/35/);
    const theirs = await open(address);
    expect(await ending(theirs.page)).toBe(await ending(mine.page));
    expect(await figure(theirs.page, "Datagrams on air")).toBe(
      await figure(mine.page, "Datagrams on air"),
    );
  });

  it("shows a datagram's bytes, each field in words, with its section", async () => {
    const { page, complaints, barriers } = await open();
    await stopClock(page);
    await page.locator("#datagrams tbody tr").nth(3).getByRole("button").click();
    const detail = page.locator(".detail");
    await detail.waitFor();
    const words = await detail.innerText();
    expect(words).toMatch(/DATA: a fragment of a message/);
    expect(words).toMatch(/fragment/);
    expect(words).toMatch(/3\.2/);
    expect(words).toMatch(/CRC-16 [0-9a-f]{4}/);
    await page.keyboard.press("Escape");
    await detail.waitFor({ state: "detached" });
    const strip = page.locator("#strip .grab");
    await strip.evaluate((canvas) => canvas.scrollIntoView({ block: "center" }));
    await strip.click({ position: { x: 300, y: 20 } });
    await detail.waitFor();
    expect(await barriers()).toEqual([]);
    expect(complaints).toEqual([]);
  });

  it("repeats the run with a hundred seeds, and shows how long they take", async () => {
    const { page, complaints } = await open();
    await page.getByRole("button", { name: "Run 100 seeds" }).click();
    await page.getByText(/^100 runs: half of them within .*, the slowest in /).waitFor();
    await page.getByLabel("Example").selectOption({ label: "Twenty boards" });
    await page.locator(".ending", { hasText: "All 20 blobs" }).waitFor();
    await page.getByRole("button", { name: "Run 100 seeds" }).click();
    await page.getByRole("button", { name: "Stop the seeds" }).click();
    await page.getByRole("button", { name: "Run 100 seeds" }).waitFor();
    expect(complaints).toEqual([]);
  });

  it("saves the run as pictures, JSON and capture, and shows a capture again", async () => {
    const { page, complaints } = await open();
    const saved = async (name: RegExp) => {
      await page.getByText("Save and share").click();
      const download = page.waitForEvent("download");
      await page.getByRole("button", { name }).click();
      const path = join(folder, (await download).suggestedFilename());
      await (await download).saveAs(path);
      await page.keyboard.press("Escape");
      return { path, bytes: await readFile(path) };
    };
    expect((await saved(/PNG/)).bytes.subarray(1, 4).toString()).toBe("PNG");
    const svg = (await saved(/SVG/)).bytes.toString();
    expect(svg).toMatch(/<svg[^>]+xmlns/);
    expect(svg).not.toMatch(/NaN|undefined/);
    const json: unknown = JSON.parse((await saved(/JSON/)).bytes.toString());
    expect(json).toHaveProperty("settings.loss", 0.2);
    const capture = await saved(/[Cc]apture|pcapng/);
    const { datagrams } = readCapture(capture.bytes);
    const onAir = Number(await figure(page, "Datagrams on air"));
    expect(datagrams.length).toBe(onAir);
    const before = await page.locator("#datagrams tbody tr").first().innerText();
    await page.getByLabel("What", { exact: true }).selectOption({ label: "a file of your own" });
    await page.getByLabel("Your file").setInputFiles(capture.path);
    await page.getByText(/A recording has no seed/).waitFor();
    expect(await page.locator("#datagrams tbody tr").first().innerText()).not.toBe("");
    expect(before).not.toBe("");
    expect(complaints).toEqual([]);
  });

  it("says what is wrong with a recording that it cannot read", async () => {
    const { page } = await open();
    const path = join(folder, "broken.pcapng");
    await writeFile(path, "no recording at all");
    await page.getByLabel("What", { exact: true }).selectOption({ label: "a file of your own" });
    await page.getByLabel("Your file").setInputFiles(path);
    await page.getByText(/broken\.pcapng: .*no recording/).waitFor();
    expect(await ending(page)).toMatch(/^The blob has arrived, whole\./);
  });

  it("sets two settings beside each other, on one seed and one clock", async () => {
    const { page, complaints, barriers } = await open();
    await page.getByRole("button", { name: /[Cc]ompare/ }).click();
    await page.waitForFunction(() => document.querySelectorAll(".ending").length === 2);
    expect(await page.locator("#air .picture").count()).toBe(2);
    expect(await barriers()).toEqual([]);
    const address = page.url().slice(server.url.length);
    const theirs = await open(address);
    expect(await theirs.page.locator(".ending").allTextContents()).toEqual(
      await page.locator(".ending").allTextContents(),
    );
    expect(complaints).toEqual([]);
  });

  it("draws twenty boards and five thousand datagrams, and tells how fast", async () => {
    const { page, complaints } = await open();
    await page.getByLabel("Example").selectOption({ label: "Twenty boards" });
    await page.locator(".ending", { hasText: "All 20 blobs" }).waitFor();
    await page.getByLabel("Size", { exact: false }).first().fill("60000");
    await page.keyboard.press("Tab");
    await page.locator("#figures", { hasText: /Delivered\s*1\.20? MB/ }).waitFor();
    expect(Number((await figure(page, "Datagrams on air")).replace(",", ""))).toBeGreaterThan(5000);
    const frames = () => page.evaluate(() => window.fardelLab?.frames);
    const before = (await frames())?.frames ?? 0;
    const play = page.getByRole("button", { name: "Play", exact: true });
    if (await play.isVisible()) await play.click();
    await page.waitForFunction(
      (count) => (window.fardelLab?.frames.frames ?? 0) > count + 60,
      before,
    );
    const { perSecond, drawingMs } = (await frames()) ?? {
      perSecond: 0,
      drawingMs: { median: 0, p95: 0 },
    };
    console.log(
      `Twenty boards: ${perSecond.toFixed(0)} frames a second, ${drawingMs.median.toFixed(1)} ms each (95 %: ${drawingMs.p95.toFixed(1)})`,
    );
    expect(complaints).toEqual([]);
  });

  it("works from disk, without a network", async () => {
    const lab = await openPage(browser, pathToFileURL(file).href, {
      viewport: DESK,
      offline: true,
    });
    opened.push(lab);
    await lab.page.waitForSelector(".ending", { timeout: RUN_MS });
    expect(await ending(lab.page)).toMatch(/^The blob has arrived, whole\./);
    expect(lab.complaints).toEqual([]);
  });

  it.each([
    ["by day", { colorScheme: "light" as const }],
    ["at night", { colorScheme: "dark" as const }],
    ["on a phone", { viewport: PHONE, hasTouch: true, isMobile: true }],
  ])("has no barriers that axe finds, %s", async (_when, options) => {
    const lab = await open("", options);
    expect(await lab.barriers()).toEqual([]);
    for (const tab of ["Live", "About"]) {
      await lab.page.getByRole("link", { name: tab, exact: true }).click();
      await lab.page.waitForTimeout(0);
      expect(await lab.barriers()).toEqual([]);
    }
    expect(lab.complaints).toEqual([]);
  });

  it("is as wide as the screen, and no wider", async () => {
    const { page } = await open("", { viewport: PHONE, isMobile: true });
    const width = await page.evaluate(() => document.documentElement.scrollWidth);
    expect(width).toBeLessThanOrEqual(PHONE.width);
  });

  it("is one file that asks for nothing from elsewhere", async () => {
    const html = await readFile(file, "utf8");
    expect(html).not.toMatch(/<(?:script|link|img)[^>]+(?:src|href)="(?!data:)[^"#]/);
  });
});
