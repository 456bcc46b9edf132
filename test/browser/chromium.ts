import { spawnSync } from "node:child_process";
import { readFile } from "node:fs/promises";
import { createServer, type Server } from "node:http";
import { createRequire } from "node:module";
import type { AddressInfo } from "node:net";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";
import { type Browser, type BrowserContextOptions, chromium, type Page } from "playwright-core";

/** Pages in a real browser: Chromium, as the distribution packages it. */

const require = createRequire(import.meta.url);

/** The command of the package; `FARDEL_CHROMIUM` names another one. */
const CHROMIUM = process.env.FARDEL_CHROMIUM ?? "chromium";

/** @throws `Error` that says how to get one, when there is none */
export async function launchChromium(): Promise<Browser> {
  const found = spawnSync("sh", ["-c", `command -v ${CHROMIUM}`], { encoding: "utf8" });
  const executablePath = found.stdout.trim();
  if (executablePath === "") {
    throw new Error("These tests need a browser: apt-get install chromium");
  }
  // Without a sandbox: it does not work for root, and only our own pages are opened.
  const args = ["--no-sandbox", "--force-color-profile=srgb", "--font-render-hinting=none"];
  return chromium.launch({ executablePath, args });
}

/** Builds what is out of date, and gives the file of the lab page. */
export function labFile(): string {
  const root = fileURLToPath(new URL("../..", import.meta.url));
  const setup = spawnSync(process.execPath, [join(root, "scripts/setup.mjs"), "--build"], {
    encoding: "utf8",
  });
  if (setup.status !== 0) throw new Error(`The page could not be built:\n${setup.stderr}`);
  return join(dirname(require.resolve("@fardel/lab/package.json")), "dist/index.html");
}

/** Serves one file at `/`. */
export class PageServer {
  readonly #server: Server;

  private constructor(server: Server) {
    this.#server = server;
  }

  static async start(file: string): Promise<PageServer> {
    const bytes = await readFile(file);
    const server = createServer((request, response) => {
      const isPage = request.url === "/" || request.url?.startsWith("/?");
      response.writeHead(isPage ? 200 : 404, { "content-type": "text/html; charset=utf-8" });
      response.end(isPage ? bytes : "");
    });
    await new Promise<void>((resolve) => server.listen(0, "127.0.0.1", resolve));
    return new PageServer(server);
  }

  get url(): string {
    return `http://127.0.0.1:${(this.#server.address() as AddressInfo).port}/`;
  }

  async close(): Promise<void> {
    this.#server.closeAllConnections();
    await new Promise((resolve) => this.#server.close(resolve));
  }
}

/** What is wrong for people who cannot see, hear or point, by the rules of axe. */
export interface Barrier {
  readonly rule: string;
  readonly help: string;
  /** Elements, as selectors. */
  readonly where: readonly string[];
}

/** A page that is open, and everything that it complained about. */
export interface OpenPage {
  readonly page: Page;
  /** Errors and warnings of the console, exceptions, and requests that failed. */
  readonly complaints: string[];
  /** WCAG 2.1, levels A and AA, and best practices. */
  barriers(): Promise<Barrier[]>;
  close(): Promise<void>;
}

/** Opens a page in a profile of its own. @param prepare - runs before anything of the page does */
export async function openPage(
  browser: Browser,
  url: string,
  options: BrowserContextOptions = {},
  prepare?: (page: Page) => Promise<unknown>,
): Promise<OpenPage> {
  const context = await browser.newContext(options);
  const page = await context.newPage();
  const complaints: string[] = [];
  page.on("console", (message) => {
    if (message.type() === "error" || message.type() === "warning") {
      complaints.push(`${message.type()}: ${message.text()}`);
    }
  });
  page.on("pageerror", (error) => complaints.push(`exception: ${error.message}`));
  page.on("requestfailed", (request) => complaints.push(`failed: ${request.url()}`));
  await prepare?.(page);
  await page.goto(url);
  return { page, complaints, barriers: () => findBarriers(page), close: () => context.close() };
}

interface AxeWindow {
  readonly axe: {
    run(): Promise<{
      violations: { id: string; help: string; nodes: { target: unknown[] }[] }[];
    }>;
  };
}

async function findBarriers(page: Page): Promise<Barrier[]> {
  const source = await readFile(require.resolve("axe-core/axe.min.js"), "utf8");
  await page.evaluate(source);
  const violations = await page.evaluate(async () => {
    const { axe } = globalThis as unknown as AxeWindow;
    return (await axe.run()).violations;
  });
  return violations.map(({ id, help, nodes }) => ({
    rule: id,
    help,
    where: nodes.map(({ target }) => target.join(" ")),
  }));
}
