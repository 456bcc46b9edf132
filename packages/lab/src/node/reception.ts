import type { IncomingMessage, ServerResponse } from "node:http";
import { isPeerOrder } from "../live/snapshot.js";
import { isExpectedHost, splitHost } from "./host-names.js";
import type { PageFile } from "./page-file.js";
import { READERS_MAX, type Readers } from "./readers.js";
import type { Token } from "./token.js";

export interface ReceptionOptions {
  readonly page: PageFile;
  /** Whoever knows it may look. */
  readonly token: Token;
  /** The address that is listened at. */
  readonly host: string;
  readonly readers: Readers;
}

/** Why a request is not answered: a status of RFC 9110, and a sentence. */
interface Refusal {
  readonly status: 400 | 403 | 404 | 405 | 421 | 503;
  readonly sentence: string;
  readonly headers?: Readonly<Record<string, string>>;
}

/** Decides about each request, and answers it. */
export class Reception {
  readonly #options: ReceptionOptions;
  /** The port that is listened at. */
  port = 0;

  constructor(options: ReceptionOptions) {
    this.#options = options;
  }

  handle(request: IncomingMessage, response: ServerResponse): void {
    for (const [name, value] of Object.entries(HEADERS)) response.setHeader(name, value);
    response.setHeader("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'");
    const url = parseTarget(request.url);
    const refusal = this.#refuse(request, url);
    if (refusal || !url) {
      refuse(response, refusal ?? NOT_FOUND);
      return;
    }
    switch (url.pathname) {
      case "/":
        this.#sendPage(response);
        break;
      case "/events":
        this.#sendEvents(url.searchParams, response);
        break;
      case "/favicon.ico":
        response.writeHead(204).end();
        break;
      default:
        refuse(response, NOT_FOUND);
    }
  }

  #refuse({ method, headers }: IncomingMessage, url: URL | undefined): Refusal | undefined {
    if (method !== "GET") return ONLY_GET;
    if (!url) return NOT_FOUND;
    const named = splitHost(headers.host);
    if (!named || named.port !== this.port || !isExpectedHost(named.host, this.#options.host)) {
      return WRONG_HOST;
    }
    // A browser names the page that asks wherever that matters; ours has the same host as the server.
    if (headers.origin !== undefined && headers.origin !== `http://${headers.host}`) {
      return OTHER_PAGE;
    }
    // The icon that a browser asks for by itself: without token, and there is nothing in it.
    if (url.pathname === "/favicon.ico") return undefined;
    const isKnown = this.#options.token.isSame(url.searchParams.get("token") ?? "");
    return isKnown ? undefined : WRONG_TOKEN;
  }

  #sendPage(response: ServerResponse): void {
    const { html, policy } = this.#options.page;
    response.setHeader("Content-Security-Policy", policy);
    response.setHeader("Content-Type", "text/html; charset=utf-8");
    response.writeHead(200).end(html);
  }

  #sendEvents(query: URLSearchParams, response: ServerResponse): void {
    const order = query.get("order") ?? "signal";
    if (!isPeerOrder(order)) {
      refuse(response, NO_SUCH_ORDER);
      return;
    }
    const afterEvent = wholeNumber(query.get("after"), 0);
    const afterUs = wholeNumber(query.get("since"), -1);
    if (!this.#options.readers.add(response, { order, afterEvent, afterUs })) {
      refuse(response, TOO_MANY);
    }
  }
}

const HEADERS: Readonly<Record<string, string>> = {
  "Cache-Control": "no-store",
  "X-Content-Type-Options": "nosniff",
  "X-Frame-Options": "DENY",
  // The address has the token in it: no other server shall be told where one comes from.
  "Referrer-Policy": "no-referrer",
  "Cross-Origin-Opener-Policy": "same-origin",
  "Cross-Origin-Resource-Policy": "same-origin",
};

const NOT_FOUND: Refusal = {
  status: 404,
  sentence: "There is nothing here. Open the page itself.",
};
const ONLY_GET: Refusal = {
  status: 405,
  sentence: "This page can only be looked at: GET is all that it answers.",
  headers: { Allow: "GET" },
};
const WRONG_HOST: Refusal = {
  status: 421,
  sentence:
    "This server was asked for by a name that it does not know. Open the address that the gateway's program has printed.",
};
const OTHER_PAGE: Refusal = {
  status: 403,
  sentence: "Another page asks. Open the address that the gateway's program has printed.",
};
const WRONG_TOKEN: Refusal = {
  status: 403,
  sentence:
    "The token in the address is missing or wrong. Open the address that the gateway's program has printed; each start has another one.",
};
const NO_SUCH_ORDER: Refusal = { status: 400, sentence: "There is no such order of peers." };
const TOO_MANY: Refusal = {
  status: 503,
  sentence: `${READERS_MAX} pages look at this gateway already. Close one of them.`,
  headers: { "Retry-After": "10" },
};

function refuse(response: ServerResponse, { status, sentence, headers = {} }: Refusal): void {
  response.writeHead(status, { "Content-Type": "text/plain; charset=utf-8", ...headers });
  response.end(`${sentence}\n`);
}

/** The target of a request, if it is one of ours: a path, not a whole address. */
function parseTarget(target: string | undefined): URL | undefined {
  if (!target?.startsWith("/") || target.startsWith("//")) return undefined;
  const address = `http://here${target}`;
  return URL.canParse(address) ? new URL(address) : undefined;
}

function wholeNumber(text: string | null, otherwise: number): number {
  return text !== null && /^\d{1,15}$/.test(text) ? Number(text) : otherwise;
}
