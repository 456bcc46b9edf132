// A gateway with an HTTP interface: a PUT pushes a configuration to a board, and is answered when the
// board holds it. The boards are simulated, on a radio that loses every fifth datagram.
//
//   node scripts/run.mjs examples/http-configuration.ts --port 8087
//   curl -X PUT -H 'content-type: application/json' -d '{"warnC":1.9,"fanOnC":0.4,"fanOffC":1.4}' \
//     'http://127.0.0.1:8087/boards/row-1/configuration?deadlineMs=10000'

import { createServer, type IncomingMessage, type ServerResponse } from "node:http";
import type { AddressInfo } from "node:net";
import { parseArgs } from "node:util";
import { Endpoint, FardelError, type FardelErrorCode, SystemClock } from "@fardel/core";
import { formatAddress, Medium, presets } from "@fardel/lossy-link";
import { decodeValue, encodeValue, ValueError } from "@fardel/msgpack";

/** Loopback only: whoever reaches this port configures the boards. Put what checks that, and TLS, in front of it. */
const HOST = "127.0.0.1";
const BODY_BYTES_MAX = 64 * 1024;
/** With BODY_BYTES_MAX, all that clients can make this program hold. */
const CONNECTIONS_MAX = 64;
/** Time for a client to send its request, and for a board to be reached. */
const UPLOAD_MS = 30_000;
const DEADLINE_MS = 60_000;
const UNREACHABLE_MS = 5_000;
/** What the body was: JSON goes to the board as a MessagePack value, other bytes as they are. */
const CHANNEL = { "application/json": 0, "application/octet-stream": 1 } as const;

/** Only boards that are known: else anybody could make the gateway remember any number of peers. */
const BOARDS: ReadonlyMap<string, Uint8Array> = new Map([
  ["row-1", Uint8Array.of(2, 0, 0, 0, 0, 1)],
  ["row-2", Uint8Array.of(2, 0, 0, 0, 0, 2)],
  // Known, but switched off.
  ["row-3", Uint8Array.of(2, 0, 0, 0, 0, 3)],
]);

/** HTTP status for each way in which a message can fail; all others are 502. */
const STATUS: Readonly<Partial<Record<FardelErrorCode, number>>> = {
  "message-too-large": 413,
  "peer-unreachable": 503,
  "queue-full": 503,
  "endpoint-closed": 503,
  "deadline-passed": 504,
};

/** A request that cannot be served. */
class Problem extends Error {
  constructor(
    readonly status: number,
    readonly code: string,
    sentence: string,
  ) {
    super(sentence);
  }
}

// With a radio: `const link = await SerialBridgeLink.connect(…)` in place of this medium.
const medium = new Medium({ ...presets.reference(), clock: new SystemClock(), loss: 0.2 });
const gateway = await Endpoint.open({
  link: medium.attach({ address: Uint8Array.of(2, 0, 0, 0, 0, 0xff) }),
  unreachableUs: UNREACHABLE_MS * 1000,
});
const boards = await Promise.all(["row-1", "row-2"].map(startBoard));

const server = createServer((request, response) => {
  handle(request, response).catch((error: unknown) => answerError(response, error));
});
server.maxConnections = CONNECTIONS_MAX;
server.requestTimeout = UPLOAD_MS;
server.on("error", (error) => fail(`The port cannot be used: ${error.message}. Choose another.`));
server.listen(readPort(), HOST, () => {
  const { port } = server.address() as AddressInfo;
  console.log(`Listening on http://${HOST}:${port}. Ctrl-C ends it.`);
});
for (const signal of ["SIGINT", "SIGTERM"] as const) process.once(signal, stop);

async function handle(request: IncomingMessage, response: ServerResponse): Promise<void> {
  const [path = "", query] = (request.url ?? "").split("?", 2);
  const [name, address] = findBoard(path);
  if (request.method !== "PUT") {
    response.setHeader("allow", "PUT");
    throw new Problem(405, "method-not-allowed", "Send the configuration with PUT.");
  }
  const deadlineMs = readDeadline(new URLSearchParams(query).get("deadlineMs"));
  const { channel, bytes } = await readConfiguration(request);

  // Nobody waits for the answer any more: the board need not get it either.
  const aborting = new AbortController();
  response.once("close", () => {
    if (!response.writableFinished) aborting.abort();
  });
  console.log(`${name}: ${bytes.length} bytes under way`);
  try {
    const receipt = await gateway.peer(address).send(bytes, {
      priority: "bulk",
      channel,
      deadlineMs,
      signal: aborting.signal,
      // A configuration may arrive twice without harm.
      afterRestart: "resend",
    });
    // The board's endpoint holds it whole. Whether its program has applied it, only a reply of that
    // program tells: see request-reply.ts.
    console.log(`${name}: ${receipt.outcome}, ${receipt.bytes} bytes`);
    answer(response, 200, { board: name, ...receipt });
  } catch (error) {
    if (!(error instanceof FardelError)) throw error;
    const { code, message, delivery } = error;
    const isAborted = code === "aborted";
    console.log(`${name}: ${isAborted ? "the client has gone, aborted" : `failed, ${code}`}`);
    answer(response, STATUS[code] ?? 502, { code, message, delivery });
  }
}

/** By name, or by address: `row-1`, `02:00:00:00:00:01`. */
function findBoard(path: string): readonly [name: string, address: Uint8Array] {
  const wanted = /^\/boards\/([\w:%-]{1,64})\/configuration$/
    .exec(path)?.[1]
    ?.replace(/%3a/gi, ":");
  if (wanted === undefined) {
    throw new Problem(404, "no-such-path", "PUT to /boards/NAME/configuration.");
  }
  for (const board of BOARDS) {
    if (board[0] === wanted || formatAddress(board[1]) === wanted.toLowerCase()) return board;
  }
  const known = [...BOARDS.keys()].join(", ");
  throw new Problem(404, "unknown-board", `There is no board ${wanted}. There are ${known}.`);
}

function readDeadline(text: string | null): number {
  const deadlineMs = text === null ? DEADLINE_MS : Number(text);
  if (deadlineMs >= 1 && deadlineMs <= DEADLINE_MS) return deadlineMs;
  throw new Problem(400, "bad-deadline", `deadlineMs must be a number from 1 to ${DEADLINE_MS}.`);
}

async function readConfiguration(request: IncomingMessage) {
  const pieces: Buffer[] = [];
  let length = 0;
  // Read to its end even when it is too long: a client hears no answer while it is still sending.
  for await (const piece of request as AsyncIterable<Buffer>) {
    length += piece.length;
    if (length <= BODY_BYTES_MAX) pieces.push(piece);
    else pieces.length = 0;
  }
  if (length > BODY_BYTES_MAX) {
    throw new Problem(413, "body-too-large", `Send at most ${BODY_BYTES_MAX} bytes.`);
  }
  const body = Buffer.concat(pieces);
  const type = request.headers["content-type"]?.split(";")[0]?.trim().toLowerCase();
  if (type === "application/octet-stream") return { channel: CHANNEL[type], bytes: body };
  if (type === "application/json") return { channel: CHANNEL[type], bytes: encodeJson(body) };
  const types = Object.keys(CHANNEL).join(" or ");
  throw new Problem(415, "unknown-type", `Send ${types}, and say which in content-type.`);
}

/** MessagePack says the same in fewer bytes, and a small board reads it with less code. */
function encodeJson(body: Buffer): Uint8Array {
  try {
    return encodeValue(JSON.parse(body.toString("utf8")));
  } catch (error) {
    if (!(error instanceof SyntaxError || error instanceof ValueError)) throw error;
    throw new Problem(400, "bad-json", `The body is no JSON for a board: ${error.message}`);
  }
}

function answerError(response: ServerResponse, error: unknown): void {
  if (error instanceof Problem) {
    answer(response, error.status, { code: error.code, message: error.message });
  } else if (!response.destroyed) {
    console.error(error);
    answer(response, 500, { code: "internal", message: "The gateway failed. See its log." });
  }
}

function answer(response: ServerResponse, status: number, body: object): void {
  if (response.destroyed) return;
  response.statusCode = status;
  response.setHeader("content-type", "application/json");
  if (!server.listening) response.setHeader("connection", "close");
  response.end(`${JSON.stringify(body)}\n`);
}

/** A simulated row station, which prints what it is told. */
async function startBoard(name: string): Promise<Endpoint> {
  const address = BOARDS.get(name) as Uint8Array;
  const board = await Endpoint.open({ link: medium.attach({ address }) });
  board.onMessage(({ bytes, channel }) => {
    const isValue = channel === CHANNEL["application/json"];
    const what = isValue ? JSON.stringify(decodeValue(bytes)) : `${bytes.length} bytes`;
    console.log(`(board ${name}) holds ${what}`);
  });
  return board;
}

function readPort(): number {
  try {
    const { values } = parseArgs({ options: { port: { type: "string", default: "8087" } } });
    const port = Number(values.port);
    if (Number.isInteger(port) && port >= 0 && port <= 65535) return port;
    return fail("--port must be a whole number from 0 (any free one) to 65535.");
  } catch (error) {
    return fail((error as Error).message);
  }
}

function fail(sentence: string): never {
  console.error(sentence);
  process.exit(2);
}

/** Whoever waits for a board is answered with 503, then the program ends. */
async function stop(): Promise<void> {
  server.close();
  await gateway.close();
  await Promise.all(boards.map((board) => board.close()));
  console.log("Stopped.");
}
