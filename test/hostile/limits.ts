import { DEFAULT_CONFIG, type Endpoint, type ProtocolConfig } from "@fardel/core";

/** The limits of PROTOCOL.md, section 11, on one endpoint, and the most that was seen of each. */
export class Limits {
  heldBytesMax = 0;
  peersMax = 0;
  strangersMax = 0;
  strangerBytesMax = 0;
  readonly #config: ProtocolConfig;

  constructor(
    readonly endpoint: Endpoint,
    limits: Partial<ProtocolConfig> = {},
    /** Only look, for figures. */
    readonly isLenient = false,
  ) {
    this.#config = { ...DEFAULT_CONFIG, ...limits };
  }

  /** What is quick to see; after every datagram. @throws Error */
  check(): void {
    const { heldBytes } = this.endpoint;
    this.heldBytesMax = Math.max(this.heldBytesMax, heldBytes);
    this.#within("bytes held", heldBytes, this.#config.totalBytesMax);
  }

  /** All of them. @throws Error */
  checkAll(): void {
    this.check();
    let strangers = 0;
    let strangerBytes = 0;
    let heldBytes = 0;
    const reports = this.endpoint.reports();
    for (const report of reports) {
      this.#within("bytes held for one peer", report.heldBytes, this.#config.peerBytesMax);
      heldBytes += report.heldBytes;
      if (report.isVerified) continue;
      // A peer that our side has opened is no stranger, nor is one that lost its session.
      if (report.phase === "answering") strangers++;
      strangerBytes += report.heldBytes;
    }
    this.#within(
      "bytes held for the peers that are remembered",
      heldBytes,
      this.endpoint.heldBytes,
    );
    this.#within("unverified sessions", strangers, this.#config.strangersMax);
    this.#within("bytes held for strangers", strangerBytes, this.#config.strangerBytesMax);
    this.#within("peers", reports.length, this.#config.peersMax);
    this.peersMax = Math.max(this.peersMax, reports.length);
    this.strangersMax = Math.max(this.strangersMax, strangers);
    this.strangerBytesMax = Math.max(this.strangerBytesMax, strangerBytes);
  }

  #within(what: string, value: number, most: number): void {
    if (this.isLenient || (value >= 0 && value <= most)) return;
    throw new Error(`${value} ${what}, where 0 to ${most} are allowed.`);
  }
}
