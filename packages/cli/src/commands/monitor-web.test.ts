import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { Endpoint } from "@fardel/core";
import { LabServerError } from "@fardel/lab/node";
import { formatAddress, lossyPair } from "@fardel/lossy-link";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { problemOf } from "../explain-error.js";
import type { PairedLink } from "../paired/paired-boards.js";
import { passTime, runToEnd, TestContext } from "../test-context.js";
import { Monitor } from "./monitor-run.js";
import type { WebSettings } from "./monitor-web.js";

let folder = "";
let pageFile: URL;
beforeAll(async () => {
  folder = await mkdtemp(join(tmpdir(), "fardel-monitor-web-"));
  const file = join(folder, "index.html");
  await writeFile(file, "<html><head></head></html>");
  pageFile = pathToFileURL(file);
});
afterAll(() => rm(folder, { recursive: true }));

/** A monitor that runs, with its page, and a board that can speak to it. */
async function running(web: Partial<WebSettings> = {}) {
  const context = new TestContext();
  const { clock } = context;
  const { a, b } = lossyPair({ clock });
  const open: PairedLink = {
    endpointOptions: {},
    nameOf: formatAddress,
    link: a,
    describe: "a test",
    parseAddress: async () => b.localAddress,
    formatAddress,
    close: async () => a.close(),
  };
  const monitor = new Monitor(
    open,
    {
      intervalUs: 1_000_000,
      forUs: undefined,
      sort: "heard",
      form: "json",
      watched: [],
      ping: false,
      web: { host: "127.0.0.1", port: 0, nameOf: () => "row-1", pageFile, ...web },
    },
    context,
  );
  const ended = passTime(clock, monitor.run());
  ended.catch(() => {});
  return { context, clock, gateway: a.localAddress, board: b, ended };
}

/** What a page hears until the text is in it, or the connection is closed. */
async function hear(response: Response, text: string): Promise<string> {
  let heard = "";
  const decoder = new TextDecoder();
  for await (const part of response.body!) {
    heard += decoder.decode(part, { stream: true });
    if (heard.includes(text)) break;
  }
  return heard;
}

const addressIn = ({ err }: TestContext) => /Live page: (\S+)\n/.exec(err)?.[1] ?? "";
const eventsOf = (url: string) => url.replace("/?", "/events?");

describe("fardel monitor --web", () => {
  it("says on stderr where the page is, and nothing of it on stdout", async () => {
    const { context, ended } = await running();
    await context.said("Live page");
    expect(addressIn(context)).toMatch(/^http:\/\/127\.0\.0\.1:\d+\/\?token=[0-9a-f]{32}$/);
    expect((await fetch(addressIn(context))).status).toBe(200);
    context.interrupt();
    await ended;
    expect(context.out).not.toContain("token");
    expect(context.err).not.toContain("Caution");
  });

  it("shows messages and requests of boards by their names", async () => {
    const { context, clock, gateway, board, ended } = await running();
    await context.said("Live page");
    const endpoint = await Endpoint.open({ link: board, clock });
    endpoint
      .peer(gateway)
      .send(new Uint8Array(28))
      .catch(() => {});
    endpoint
      .peer(gateway)
      .request(new Uint8Array(7))
      .catch(() => {});
    const heard = await hear(await fetch(eventsOf(addressIn(context))), "Request of 7 bytes");
    expect(heard).toContain("Message of 28 bytes from row-1.");
    expect(heard).toContain('"name":"a test"');
    context.interrupt();
    await ended;
    await endpoint.close();
  });

  it("tells the page when the command ends", async () => {
    const { context, ended } = await running();
    await context.said("Live page");
    const response = await fetch(eventsOf(addressIn(context)));
    context.interrupt();
    expect(await hear(response, "never")).toMatch(/event: ended\ndata: \{\}\n\n$/);
    await ended;
    expect(context.exitCode).toBe(130);
    await expect(fetch(addressIn(context))).rejects.toThrow();
  });

  it("warns where others can look", async () => {
    const { context, ended } = await running({ host: "0.0.0.0" });
    await context.said("Caution");
    expect(addressIn(context)).toMatch(/^http:\/\/localhost:\d+\//);
    expect(context.err).toContain(
      "Caution: the page is served at every network of this computer, unencrypted.",
    );
    context.interrupt();
    await ended;
  });

  it("fails before it takes anything from the link, if the page cannot be served", async () => {
    const { ended, board, gateway, clock } = await running({
      pageFile: pathToFileURL(join(folder, "none.html")),
    });
    await expect(ended).rejects.toMatchObject({ code: "page-missing" });
    const endpoint = await Endpoint.open({ link: board, clock });
    const sent = endpoint.peer(gateway).send(new Uint8Array(1), { deadlineMs: 500 });
    await expect(passTime(clock, sent)).rejects.toMatchObject({ code: "deadline-passed" });
    await endpoint.close();
  });

  it.each([
    [["--web-port", "7441"], "give --web, too"],
    [["--web-host", "0.0.0.0"], "give --web, too"],
    [["--web", "--web-port", "70000"], "Give a whole number from 0 to 65535"],
  ])("refuses %j", async (args, words) => {
    const context = new TestContext();
    const exitCode = await runToEnd(["monitor", "--link", "lossy:", ...args], context);
    expect(exitCode).toBe(2);
    expect(context.err).toContain(words);
  });
});

describe("problems with the page", () => {
  it.each([
    ["invalid-option", 2],
    ["page-missing", 1],
    ["port-taken", 3],
    ["no-such-address", 3],
  ] as const)("%s ends with exit code %d", async (code, exitCode) => {
    const problem = problemOf(
      new LabServerError(code, "A sentence."),
      new AbortController().signal,
    );
    expect(problem).toMatchObject({ exitCode, code, message: "A sentence." });
  });
});
