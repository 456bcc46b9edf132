import { spawnSync } from "node:child_process";
import { mkdtemp, readFile, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { readCapture } from "@fardel/capture";
import { Endpoint, SystemClock } from "@fardel/core";
import { lossyPair } from "@fardel/lossy-link";
import { Bridge, linkRadio, MemoryLine } from "@fardel/serial-bridge";
import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, describe, expect, it } from "vitest";
import { readDocument, root, snippets } from "../docs/markdown.js";
import { FardelProcess } from "../interop/fardel-process.js";
import { lacksCommands } from "../system-commands.js";
import { labFile, launchChromium, type OpenPage, openPage, PageServer } from "./chromium.js";
import { giveSerialPort } from "./serial-port-in-page.js";

/** The machine may be busy with other tests. */
const WAIT_MS = 60_000;

let browser: Browser;
let file = "";
const cleanUps: (() => unknown)[] = [];
afterEach(async () => {
  for (const cleanUp of cleanUps.splice(0).reverse()) await cleanUp();
});

const BOARDS = "lossy:boards=5,every=200ms,distance=30,loss=0.1";

/** The command with its page, and the address that it has printed. */
async function monitor(...args: readonly string[]) {
  const command = new FardelProcess(["monitor", "--web", "--link", BOARDS, ...args]);
  cleanUps.push(() => command.kill());
  await command.said("Live page: ");
  await command.said("\n");
  const url = /Live page: (\S+)\n/.exec(command.err)?.[1] ?? "";
  return { command, url };
}

async function open(
  url: string,
  options = {},
  prepare?: (page: Page) => Promise<unknown>,
): Promise<OpenPage> {
  const opened = await openPage(browser, url, options, prepare);
  opened.page.setDefaultTimeout(WAIT_MS);
  cleanUps.push(() => opened.close());
  return opened;
}

/** Waits until the page has this text somewhere. */
const text = (page: Page, words: string | RegExp) => page.getByText(words).first().waitFor();

/** Waits until so many snapshots have been sent to pages. */
async function looksPass(url: string, count: number): Promise<void> {
  const response = await fetch(url.replace("/?", "/events?"));
  let heard = "";
  for await (const part of response.body!) {
    heard += new TextDecoder().decode(part);
    if (heard.split("event: snapshot").length > count) return;
  }
}

/** Runs a program of TypeScript against the sources. */
function runTypeScript(program: string) {
  const { status, stdout, stderr } = spawnSync(
    process.execPath,
    ["--import", import.meta.resolve("tsx"), program],
    {
      encoding: "utf8",
      timeout: WAIT_MS,
      env: { ...process.env, TSX_TSCONFIG_PATH: join(root, "tsconfig.json"), NO_COLOR: "1" },
    },
  );
  return { status, stdout, stderr };
}

describe.skipIf(lacksCommands("chromium"))("the live view", () => {
  beforeAll(async () => {
    file = labFile();
    browser = await launchChromium();
  }, 300_000);
  afterAll(() => browser?.close());
  afterEach(async () => {
    for (const cleanUp of cleanUps.splice(0).reverse()) await cleanUp();
  });

  describe("the page of fardel monitor --web", () => {
    it("shows the boards, who has told what, and what the command takes", async () => {
      const { url } = await monitor();
      const { page, complaints, barriers } = await open(url);
      await text(page, "Live, a look each second.");
      const rows = page.locator("tbody tr");
      await rows.nth(4).waitFor();
      expect(await rows.count()).toBe(5);
      expect(await rows.first().textContent()).toMatch(
        /02:00:00:00:00:02.*(strong|good).*-\d\d dBm/,
      );
      await text(page, /\d+ messages from 5 peers, together \d+ bytes\./);
      await text(page, /Session with 02:00:00:00:00:06 is open\./);
      expect(await page.locator("h2").first().textContent()).toContain("simulated channel");
      // The rest of the page works under the policy that the server sends, too.
      await page.goto(`${url}#lab`);
      await page.locator("canvas, svg").first().waitFor();
      await page.goto(`${url}#live`);
      await rows.nth(4).waitFor();
      expect(await barriers()).toEqual([]);
      expect(complaints).toEqual([]);
    });

    it("shows one peer closely, in another order, and stands still when it is told to", async () => {
      const { url } = await monitor();
      const { page, barriers } = await open(url, { colorScheme: "dark" });
      const rows = page.locator("tbody tr");
      await rows.nth(4).waitFor();
      await page.getByRole("button", { name: "Peer", exact: true }).click();
      await page
        .getByRole("columnheader", { name: "Peer", exact: true })
        .and(page.locator('[aria-sort="other"]'))
        .waitFor();
      await page.getByRole("button", { name: "02:00:00:00:00:04" }).click();
      await page.getByRole("heading", { name: "The last minutes: 02:00:00:00:00:04" }).waitFor();
      await text(page, "none: everything goes in plain");
      expect(await barriers()).toEqual([]);
      await page.getByRole("button", { name: "Pause" }).click();
      await text(page, "Paused.");
      const messages = page.locator("dl").first();
      const before = await messages.textContent();
      await looksPass(url, 3);
      expect(await messages.textContent()).toBe(before);
      await page.getByRole("button", { name: "Go on" }).click();
      await expect.poll(() => messages.textContent(), { timeout: WAIT_MS }).not.toBe(before);
    });

    it("fits on a phone", async () => {
      const { url } = await monitor();
      const { page, barriers } = await open(url, { viewport: { width: 390, height: 800 } });
      await page.locator("tbody tr").nth(4).waitFor();
      const width = () => page.evaluate(() => document.documentElement.scrollWidth);
      expect(await width()).toBeLessThanOrEqual(390);
      const table = page.locator("table");
      expect(
        await table.evaluate((own) => own.scrollWidth <= (own.parentElement?.clientWidth ?? 0)),
      ).toBe(true);
      await page.getByLabel("Order").selectOption("last heard first");
      expect(await barriers()).toEqual([]);
    });

    it("is refused without the right token, in words", async () => {
      const { url } = await monitor();
      const wrong = url.replace(/.$/, (last) => (last === "0" ? "1" : "0"));
      for (const address of [wrong, new URL("/", url).href]) {
        const { page } = await open(address);
        await text(page, "The token in the address is missing or wrong.");
        expect(await page.locator("table").count()).toBe(0);
      }
    });

    it("says when the command has ended, and keeps what it showed", async () => {
      const { command, url } = await monitor();
      const { page, complaints } = await open(url);
      await page.locator("tbody tr").nth(4).waitFor();
      command.signal("SIGINT");
      await text(page, "The gateway's program has ended.");
      expect((await command.ended()).code).toBe(130);
      expect(await page.locator("tbody tr").count()).toBe(5);
      // Chromium calls a stream that could have been aborted a failed one, however well it ended.
      expect(complaints.filter((one) => !/^failed: .*\/events/.test(one))).toEqual([]);
    });

    it("says that the connection is lost when the command dies, and tries again", async () => {
      const { command, url } = await monitor();
      const { page } = await open(url);
      await page.locator("tbody tr").nth(4).waitFor();
      await command.kill();
      await text(page, "Connection lost, trying again.");
      await page.getByRole("button", { name: "Try now" }).click();
      await text(page, /Connection lost, trying again\. .*[Ff]etch/);
      // Another start at the same port has another token: the page is told so, and stops.
      const { port } = new URL(url);
      await monitor("--web-port", port);
      await text(page, "The token in the address is missing or wrong.");
    });
  });

  describe("a bridge at a port of the browser", () => {
    async function withBridge() {
      const clock = new SystemClock();
      const radio = lossyPair({ clock });
      const line = new MemoryLine({ clock });
      const bridge = await Bridge.start({
        source: line.board,
        radio: linkRadio(radio.a),
        name: "barn",
      });
      const board = await Endpoint.open({ link: radio.b, clock });
      const server = await PageServer.start(file);
      cleanUps.push(
        () => bridge.close(),
        () => board.close(),
        () => server.close(),
      );
      const opened = await open(`${server.url}#live`, {}, (page) =>
        giveSerialPort(page, line.host),
      );
      const peer = board.peer(radio.a.localAddress);
      return { ...opened, line, peer };
    }

    it("is found by a click; its boards are shown, and requests are refused", async () => {
      const { page, peer, complaints, barriers } = await withBridge();
      await text(page, "Look at a running gateway");
      expect(await barriers()).toEqual([]);
      await page.getByRole("button", { name: "Connect a bridge" }).click();
      await text(page, "Live, a look each second.");
      await page.getByRole("heading", { name: "bridge barn" }).waitFor();
      expect(await peer.send(new Uint8Array(28))).toMatchObject({ outcome: "delivered" });
      await text(page, "Message of 28 bytes from 02:00:00:00:00:0b.");
      await expect(peer.request(new Uint8Array(7))).rejects.toMatchObject({
        code: "request-failed",
      });
      await text(page, "Request of 7 bytes from 02:00:00:00:00:0b.");
      await page.getByRole("button", { name: "Record" }).click();
      const transfer = peer.send(new Uint8Array(40_000));
      await page.getByRole("progressbar", { name: "from 02:00:00:00:00:0b" }).waitFor();
      await transfer;
      await text(page, /Transfer of 40 kB from 02:00:00:00:00:0b is whole/);
      const saving = page.waitForEvent("download");
      await page.getByRole("button", { name: "Stop, and save" }).click();
      const recording = readCapture(await readFile(await (await saving).path()));
      expect(recording.head).toMatchObject({ link: "bridge barn", mtuBytes: 250 });
      expect(recording.datagrams.length).toBeGreaterThan(150);
      expect(recording.faults).toEqual([]);
      expect(await barriers()).toEqual([]);
      expect(complaints).toEqual([]);
    });

    it("may lose its cable, and goes on when that is back", async () => {
      const { page, line, peer } = await withBridge();
      await page.getByLabel("Bit rate").selectOption("115,200");
      await page.getByRole("button", { name: "Connect a bridge" }).click();
      await text(page, "Link up");
      line.pull();
      await text(page, "Link down");
      await text(page, /The link is down\. The port .* is gone/);
      line.plug();
      await text(page, "Link up");
      await peer.send(new Uint8Array(28));
      await text(page, "Message of 28 bytes from 02:00:00:00:00:0b.");
      await page.getByRole("button", { name: "Disconnect the bridge" }).click();
      await text(page, "Look at a running gateway");
      expect(await page.locator("table").count()).toBe(0);
    });

    it("cannot be reached while another program has the port: the page says so", async () => {
      const { page, line } = await withBridge();
      line.obstructOpening("port-busy");
      await page.getByRole("button", { name: "Connect a bridge" }).click();
      const state = page.getByRole("status").filter({ hasText: "The serial port (USB 1209:00b1)" });
      await state.waitFor();
      line.obstructOpening(undefined);
      await page.getByRole("button", { name: "Connect a bridge" }).click();
      await text(page, "Live, a look each second.");
    });

    it("needs a browser that has Web Serial, and says so", async () => {
      const server = await PageServer.start(file);
      cleanUps.push(() => server.close());
      const { page } = await open(`${server.url}#live`, {}, (one) =>
        one.addInitScript('Object.defineProperty(navigator, "serial", { value: undefined })'),
      );
      await text(page, "this browser does not have it");
      expect(await page.getByRole("button", { name: "Connect a bridge" }).count()).toBe(0);
    });
  });

  describe("the program in LIVE.md", () => {
    it("runs, against the sources", async () => {
      const folder = await mkdtemp(join(tmpdir(), "fardel-live-"));
      cleanUps.push(() => rm(folder, { recursive: true }));
      const [snippet] = snippets(readDocument("packages/lab/LIVE.md"));
      const program = join(folder, "gateway.mts");
      await writeFile(program, snippet?.code ?? "");
      const { stdout, stderr, status } = runTypeScript(program);
      expect(stderr).toBe("");
      expect(stdout).toMatch(/^Look at it: http:\/\/127\.0\.0\.1:\d+\/\?token=[0-9a-f]{32}\n$/);
      expect(status).toBe(0);
    });
  });
});
