import { request } from "node:http";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { RunningProgram } from "./running-program.js";

let program: RunningProgram;
let url = "";

beforeAll(async () => {
  program = new RunningProgram("examples/http-configuration.ts", ["--port", "0"]);
  [, url = ""] = await program.line(/^Listening on (http:\S+)\./);
});
afterAll(() => program.stop("SIGKILL"));

/** PUT of a configuration; row-3 is switched off. */
async function put(
  board: string,
  body: string | Uint8Array<ArrayBuffer>,
  {
    type = "application/json",
    query = "",
    ...options
  }: RequestInit & { type?: string; query?: string } = {},
) {
  const response = await fetch(`${url}/boards/${board}/configuration${query}`, {
    method: "PUT",
    headers: { "content-type": type },
    body,
    ...options,
  });
  const connection = response.headers.get("connection");
  const answer = (await response.json()) as Record<string, unknown>;
  return { status: response.status, connection, body: answer };
}

describe("http-configuration", () => {
  it("answers with the receipt when the board holds the configuration", async () => {
    const thresholds = { warnC: 1.9, fanOnC: 0.4, fanOffC: 1.4 };
    const { status, body } = await put("row-1", JSON.stringify(thresholds));
    expect(status).toBe(200);
    expect(body).toMatchObject({ board: "row-1", outcome: "delivered", fragmentsSent: 1 });
    const [, held = ""] = await program.line(/^\(board row-1\) holds (.*)$/);
    expect(JSON.parse(held)).toEqual(thresholds);

    const blob = new Uint8Array(20_000).fill(7);
    const type = "application/octet-stream";
    expect(await put("02:00:00:00:00:02", blob, { type })).toMatchObject({
      status: 200,
      body: { board: "row-2", outcome: "delivered", bytes: 20_000 },
    });
    await program.line(/^\(board row-2\) holds 20000 bytes$/);
    expect(program.stderr).toBe("");
  });

  it("says which board, path, method, type, length or deadline is at fault", async () => {
    const type = "application/octet-stream";
    const full = new Uint8Array(65_536);
    expect([
      await put("row-9", "{}"),
      await put("row-1", "{"),
      await put("row-1", "[".repeat(101) + "]".repeat(101)),
      await put("row-1", "{}", { type: "text/plain" }),
      await put("row-1", new Uint8Array(65_537), { type }),
      await put("row-1", new Uint8Array(2_000_000), { type }),
      await put("row-1", "{}", { query: "?deadlineMs=soon" }),
      await put("row-1/..", "{}", { method: "POST" }),
      await put("row-1", "{}", { method: "POST" }),
      await put("row-1", full, { type }),
    ]).toMatchObject([
      { status: 404, body: { code: "unknown-board", message: expect.stringContaining("row-1") } },
      { status: 400, body: { code: "bad-json" } },
      { status: 400, body: { code: "bad-json" } },
      { status: 415, body: { code: "unknown-type" } },
      { status: 413, body: { code: "body-too-large" } },
      { status: 413, body: { code: "body-too-large" } },
      { status: 400, body: { code: "bad-deadline" } },
      { status: 404, body: { code: "no-such-path" } },
      { status: 405, body: { code: "method-not-allowed" } },
      { status: 200, body: { bytes: 65_536 } },
    ]);
    // As no browser would write them.
    for (const path of [
      "//",
      "http://elsewhere/boards/row-1/configuration",
      "/boards/%zz/configuration",
    ]) {
      expect(await statusOf(path)).toBe(404);
    }
    expect(program.stderr).toBe("");
  });

  it("tells a board that is silent from one that is too slow, and aborts for a client that has gone", async () => {
    const unreachable = put("row-3", "{}");
    const client = new AbortController();
    const late = await put("row-3", "{}", { query: "?deadlineMs=200" });
    expect(late).toMatchObject({ status: 504, body: { code: "deadline-passed" } });
    const given = put("row-3", '{"warnC":2.25}', { signal: client.signal });
    const failed = expect(given).rejects.toThrow("aborted");
    await program.line(/^row-3: 16 bytes under way$/);
    client.abort();
    await failed;
    await program.line(/^row-3: the client has gone, aborted$/);
    expect(await unreachable).toMatchObject({ status: 503, body: { code: "peer-unreachable" } });
    expect(program.stderr).toBe("");
  });

  it("says what is wrong with its command line and its port", async () => {
    const { port } = new URL(url);
    for (const [args, sentence] of [
      [["--port", "65536"], /^--port must be a whole number from 0 .* to 65535\.\n$/],
      [["--colour"], /^Unknown option '--colour'/],
      [["--port", port], /^The port cannot be used: .*EADDRINUSE.* Choose another\.\n$/],
    ] as const) {
      const failing = new RunningProgram("examples/http-configuration.ts", args);
      expect(await failing.exit).toBe(2);
      expect(failing.stderr).toMatch(sentence);
    }
  });

  it("answers whoever still waits when it is stopped, and ends", async () => {
    const waiting = put("row-3", '{"warnC":2.5,"fanOnC":1}');
    await program.line(/^row-3: 24 bytes under way$/);
    const exit = program.stop();
    expect(await waiting).toMatchObject({
      status: 503,
      // Else the program would wait for another request.
      connection: "close",
      body: { code: "endpoint-closed" },
    });
    expect(await exit).toBe(0);
    expect(program.lines.at(-1)).toBe("Stopped.");
    expect(program.stderr).toBe("");
  });
});

function statusOf(path: string): Promise<number | undefined> {
  const { hostname: host, port } = new URL(url);
  return new Promise((resolve, reject) => {
    const asking = request({ host, port, path, method: "PUT", agent: false }, (response) => {
      response.resume();
      resolve(response.statusCode);
    });
    asking.on("error", reject);
    asking.end();
  });
}
