import { type Address, Endpoint } from "@fardel/core";
import { pause } from "../abort.js";
import type { Context, Output } from "../context.js";
import { bytes, counted } from "../format.js";
import { ObservedLink } from "../observed-link.js";
import { writeJson } from "../output.js";
import type { PairedLink } from "../paired/paired-boards.js";
import { EXIT } from "../problem.js";
import { logLines, tableView, viewObject } from "./monitor-render.js";
import { Screen } from "./monitor-screen.js";
import { type MonitorView, type SortKey, sortPeers, Watch } from "./monitor-view.js";
import { MonitorWeb, type WebSettings } from "./monitor-web.js";

/** What a monitor does. Times in microseconds. */
export interface MonitorSettings {
  readonly intervalUs: number;
  /** End after this time; `undefined`: at Ctrl-C. */
  readonly forUs: number | undefined;
  readonly sort: SortKey;
  /** `table`: only on a terminal, else lines. */
  readonly form: "table" | "lines" | "json";
  /** Peers that are shown in any case. */
  readonly watched: readonly Address[];
  /** Ask for signs of life: watched peers that have no session, and all that have fallen silent. */
  readonly ping: boolean;
  /** Show it in a browser, too. */
  readonly web?: WebSettings;
}

const ROWS_DEFAULT = 24;
/** What an asker is told: `request-failed` carries it. */
const REFUSAL = "Here is a monitor, which answers no requests.";
const NOTHING = new Uint8Array(0);

/** An endpoint that takes what comes, and shows its peers at intervals. */
export class Monitor {
  readonly #open: PairedLink;
  readonly #settings: MonitorSettings;
  readonly #context: Context;
  readonly #output: Output;
  readonly #watch: Watch;
  readonly #screen: Screen | undefined;
  readonly #web: MonitorWeb | undefined;
  #link: "up" | "down" = "up";

  constructor(open: PairedLink, settings: MonitorSettings, context: Context) {
    this.#open = open;
    this.#settings = settings;
    this.#context = context;
    this.#output = context.output;
    this.#watch = new Watch(open.formatAddress, settings.watched);
    const { describe: name, formatAddress } = open;
    this.#web = settings.web && new MonitorWeb(settings.web, context, { name, formatAddress });
    const isTerminal = this.#output.isOutTerminal ?? this.#output.isTerminal;
    this.#screen = isTerminal && settings.form === "table" ? new Screen() : undefined;
  }

  /** Resolves when the time is over, or at Ctrl-C. Leaves the link open. */
  async run(): Promise<void> {
    try {
      await this.#web?.start(this.#context);
      await this.#watchPeers();
    } finally {
      await this.#web?.close();
    }
    this.#finish();
    if (this.#context.signal.aborted) this.#context.exitWith(EXIT.interrupted);
  }

  async #watchPeers(): Promise<void> {
    const endpoint = await this.#openEndpoint();
    try {
      endpoint.onMessage(({ peer, bytes }) => this.#noteMessage(peer.address, bytes.length));
      void this.#refuseRequests(endpoint);
      this.#web?.watch.attach(endpoint);
      await this.#lookAtIntervals(endpoint);
    } finally {
      await endpoint.close();
    }
  }

  #openEndpoint(): Promise<Endpoint> {
    const { intervalUs, ping } = this.#settings;
    const web = this.#web?.watch;
    const link = new ObservedLink(this.#open.link);
    web?.noteLink("up");
    link.observe({
      onStatus: (status) => {
        this.#link = status;
        web?.noteLink(status);
      },
    });
    return Endpoint.open({
      link,
      clock: this.#context.clock,
      keepAliveUs: ping ? intervalUs : 0,
      ...(web && { trace: web.trace }),
      ...this.#open.endpointOptions,
    });
  }

  #noteMessage(from: Address, messageBytes: number, isRequest = false): void {
    this.#watch.noteMessage(from, messageBytes);
    this.#web?.watch.noteMessage(from, messageBytes, isRequest);
  }

  async #lookAtIntervals(endpoint: Endpoint): Promise<void> {
    const { clock } = this.#context;
    const ends = this.#open.ended ? [this.#open.ended] : [];
    const signal = AbortSignal.any([this.#context.signal, ...ends]);
    const { intervalUs, forUs = Number.POSITIVE_INFINITY, ping } = this.#settings;
    const startUs = clock.nowUs();
    this.#drawFirst();
    for (let atUs = 0; atUs < forUs && !signal.aborted; ) {
      if (ping) this.#ping(endpoint);
      // After a stop of the whole computer, intervals that are over are not made up for.
      const passedUs = clock.nowUs() - startUs;
      const missed = Math.floor((passedUs - atUs) / intervalUs);
      atUs = Math.min(atUs + (missed + 1) * intervalUs, forUs);
      await pause(clock, startUs + atUs - clock.nowUs(), signal);
      if (signal.aborted) return;
      this.#show(this.#watch.look(endpoint.reports(), this.#link, clock.nowUs() - startUs));
    }
  }

  /** An empty message, never repeated: the least that makes a peer answer that has no session. */
  #ping(endpoint: Endpoint): void {
    for (const address of this.#settings.watched) {
      const peer = endpoint.peer(address);
      const phase = peer.report()?.phase ?? "idle";
      if (phase !== "idle" && phase !== "closed") continue;
      const deadlineMs = Math.max(1, this.#settings.intervalUs / 1000);
      // It is lost, or a session opens: the table shows which.
      peer.send(NOTHING, { way: "unacknowledged", deadlineMs }).catch(() => {});
    }
  }

  async #refuseRequests(endpoint: Endpoint): Promise<void> {
    for await (const request of endpoint.requests()) {
      this.#noteMessage(request.peer.address, request.bytes.length, true);
      // Whoever asked may be gone by now.
      request.fail(REFUSAL).catch(() => {});
    }
  }

  #drawFirst(): void {
    if (this.#screen) this.#show({ atUs: 0, link: this.#link, peers: [] });
    else if (this.#settings.form !== "json") this.#output.err(`Watching: ${this.#open.describe}\n`);
  }

  #show(view: MonitorView): void {
    const peers = sortPeers(view.peers, this.#settings.sort);
    if (this.#settings.form === "json") writeJson(this.#output, viewObject(view, peers));
    else if (this.#screen) this.#draw(this.#screen, view, peers);
    else this.#output.out(`${logLines(view, peers).join("\n")}\n`);
  }

  #draw(screen: Screen, view: MonitorView, peers: MonitorView["peers"]): void {
    const { columns, rows = ROWS_DEFAULT } = this.#output;
    const lines = tableView(view, peers, this.#open.describe, rows - 1);
    this.#output.out(screen.draw(lines, columns, rows));
  }

  #finish(): void {
    const { messages, messageBytes } = this.#watch;
    if (this.#settings.form === "json") {
      writeJson(this.#output, { type: "result", messages, messageBytes });
      return;
    }
    this.#output.err(`${counted(messages, "message")} received, ${bytes(messageBytes)}.\n`);
  }
}
