import type { Address, Clock } from "@fardel/core";
import { isLoopback, type LabServer, LiveWatch, serveLab } from "@fardel/lab/node";
import type { Context } from "../context.js";
import { printable } from "../output.js";

/** Where the page of a monitor is served, and what is called how on it. */
export interface WebSettings {
  readonly host: string;
  /** 0: a free one. */
  readonly port: number;
  /** The name of a paired board. */
  readonly nameOf: (address: Address) => string | undefined;
  /** Default: the page of `@fardel/lab`. */
  readonly pageFile?: URL;
}

/** The page looks so often, whatever the interval of the table, microseconds. */
const LOOK_US = 1_000_000;

/** The lab's page with what a monitor sees. */
export class MonitorWeb {
  readonly watch: LiveWatch;
  readonly #settings: WebSettings;
  #server: LabServer | undefined;

  constructor(
    settings: WebSettings,
    { clock, today }: { readonly clock: Clock; readonly today: () => Date },
    link: { readonly name: string; readonly formatAddress: (address: Address) => string },
  ) {
    this.#settings = settings;
    this.watch = new LiveWatch({
      name: link.name,
      intervalUs: LOOK_US,
      clock,
      nowMs: () => today().getTime(),
      formatAddress: link.formatAddress,
      nameOf: settings.nameOf,
      messages: "noted",
    });
  }

  /** Serves it, and says where. @throws LabServerError */
  async start({ output }: Context): Promise<void> {
    const { host, port, pageFile } = this.#settings;
    this.#server = await serveLab({
      watch: this.watch,
      host,
      port,
      ...(pageFile && { pageFile }),
    });
    output.err(`Live page: ${this.#server.url}\n`);
    if (isLoopback(host)) return;
    const where = host === "0.0.0.0" || host === "::" ? "every network of this computer" : host;
    output.err(
      `Caution: the page is served at ${printable(where)}, unencrypted. Whoever is on the way can read what it shows, and the token in its address.\n`,
    );
  }

  /** Pages are told that it is over. */
  async close(): Promise<void> {
    this.watch.close();
    await this.#server?.close();
  }
}
