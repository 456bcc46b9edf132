import { createServer, type Server } from "node:http";
import type { AddressInfo } from "node:net";
import type { LiveWatch } from "../live/live-watch.js";
import { pageFileUrl } from "../page-file-url.js";
import { bracketed } from "./host-names.js";
import { LabServerError, type LabServerErrorCode } from "./lab-server-error.js";
import { readPage } from "./page-file.js";
import { Readers } from "./readers.js";
import { Reception } from "./reception.js";
import { Token } from "./token.js";

/** How the page is served. */
export interface LabServerOptions {
  /** What the page shows. Close it yourself. */
  readonly watch: LiveWatch;
  /** Default `127.0.0.1`: this computer only. What is sent elsewhere is not encrypted. */
  readonly host?: string;
  /** Default 0: a free one. */
  readonly port?: number;
  /** Default: the page of this package. */
  readonly pageFile?: URL;
}

/** The page, being served. */
export interface LabServer extends AsyncDisposable {
  /** Address of the page with its token: whoever has it may look. */
  readonly url: string;
  readonly host: string;
  readonly port: number;
  /** Pages that look just now. */
  readonly readers: number;
  /** Stop: pages are told that the gateway has ended. May be called twice. */
  close(): Promise<void>;
}

/** Connections at once; of more, the newest are closed. Enough for 16 pages and their loading. */
const CONNECTIONS_MAX = 64;
const HEADER_BYTES_MAX = 8192;

/**
 * Serves the lab's page with its live view of a gateway. Whoever has the address of the page can
 * look, and do nothing else.
 *
 * ```ts
 * const page = await serveLab({ watch });
 * console.log(`Look at it: ${page.url}`);
 * ```
 *
 * @throws {@link LabServerError} `page-missing`, `port-taken`, `port-forbidden`, `no-such-address`,
 * `not-listening`, `invalid-option`
 */
export async function serveLab(options: LabServerOptions): Promise<LabServer> {
  const { watch, host = "127.0.0.1", port = 0, pageFile = pageFileUrl } = options;
  if (!Number.isInteger(port) || port < 0 || port > 65_535) {
    throw new LabServerError(
      "invalid-option",
      `port is ${port}. Give a whole number from 0 to 65535.`,
    );
  }
  const page = await readPage(pageFile);
  const token = new Token();
  const readers = new Readers(watch);
  const reception = new Reception({ page, token, host, readers });
  const server = createServer({ maxHeaderSize: HEADER_BYTES_MAX }, (request, response) =>
    reception.handle(request, response),
  );
  server.maxConnections = CONNECTIONS_MAX;
  const listening = await listen(server, host, port);
  reception.port = listening.port;
  let closing: Promise<void> | undefined;
  const close = () => {
    closing ??= closeServer(server, readers);
    return closing;
  };
  return {
    url: `http://${bracketed(shownHost(host))}:${listening.port}/?token=${token.text}`,
    host,
    port: listening.port,
    get readers() {
      return readers.count;
    },
    close,
    [Symbol.asyncDispose]: close,
  };
}

/** Listening everywhere is no address to go to. */
function shownHost(host: string): string {
  return host === "0.0.0.0" || host === "::" ? "localhost" : host;
}

function listen(server: Server, host: string, port: number): Promise<AddressInfo> {
  return new Promise((resolve, reject) => {
    server.once("error", (error: NodeJS.ErrnoException) => reject(listenError(error, host, port)));
    server.listen(port, host, () => {
      const address = server.address();
      if (address !== null && typeof address === "object") resolve(address);
    });
  });
}

const FAULTS: Readonly<Record<string, readonly [code: LabServerErrorCode, advice: string]>> = {
  EADDRINUSE: ["port-taken", "another program has it. Choose another port, or 0 for a free one"],
  EACCES: ["port-forbidden", "this account may not. Choose a port from 1024 on"],
  EADDRNOTAVAIL: ["no-such-address", "this computer has no such address. Choose one of its own"],
  ENOTFOUND: ["no-such-address", "nobody knows that name. Check the spelling"],
};

function listenError(error: NodeJS.ErrnoException, host: string, port: number): LabServerError {
  const where = `The page cannot be served at ${bracketed(host)}, port ${port}`;
  const [code, advice] = FAULTS[error.code ?? ""] ?? [
    "not-listening" as const,
    `the system says ${error.code ?? error.message}`,
  ];
  return new LabServerError(code, `${where}: ${advice}.`, error);
}

async function closeServer(server: Server, readers: Readers): Promise<void> {
  await readers.close();
  await new Promise<void>((resolve) => {
    server.close(() => resolve());
    // Connections that wait for a further request would keep it open.
    server.closeAllConnections();
  });
}
