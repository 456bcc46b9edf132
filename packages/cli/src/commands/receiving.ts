import {
  Endpoint,
  type MessageHead,
  type PeerReport,
  type ProtocolConfig,
  type Request,
} from "@fardel/core";
import { encodeValue } from "@fardel/msgpack";
import { pause, whenAborted } from "../abort.js";
import type { Context } from "../context.js";
import { bytes, counted } from "../format.js";
import { printable, writeJson } from "../output.js";
import type { PairedLink } from "../paired/paired-boards.js";
import { EXIT } from "../problem.js";
import { MessageStore, type Stored, type StoredMessage } from "./message-store.js";
import { StreamReader } from "./stream-reader.js";

/** What {@link receiveFrom} is told. */
export interface ReceiveOptions {
  readonly json?: boolean;
  readonly raw?: boolean;
  readonly once?: boolean;
  readonly maxBytes: number;
}

/** Up to here a message is taken whole; a longer one goes to the disk as it arrives. */
const WHOLE_BYTES_MAX = 64 * 1024;
/** Requests are always taken whole: their sender waits, and they are small. */
const REQUEST_BYTES_MAX = 1024 * 1024;
/** So many streams are written at once; the senders of others wait. */
const WRITERS = 8;

/** At the end of --once: the sender is let go when it has been silent for so long, or after so long. */
const QUIET_US = 1_000_000;
const GOODBYE_US_MAX = 5_000_000;
/** At Ctrl-C: how long it may take until what is held is being written. */
const CLEAN_UP_US = 1_000_000;
const POLL_US = 20_000;

/** Receives on a link that is open, until Ctrl-C or the first message; then closes it. */
export async function receiveFrom(
  open: PairedLink,
  folder: string,
  options: ReceiveOptions,
  context: Context,
): Promise<void> {
  try {
    await new Receiving(folder, options, open, context).run();
  } finally {
    await open.close();
  }
}

class Receiving {
  readonly #store: MessageStore;
  /** Aborted when nothing more is to be taken: Ctrl-C, `--once`, or the link has failed. */
  readonly #over = new AbortController();
  /** The one message of `--once` is stored. */
  #hasOne = false;
  /** Messages that are being written now. */
  #writing = 0;
  #messages = 0;
  #bytes = 0;
  #failures = 0;

  constructor(
    readonly folder: string,
    readonly options: ReceiveOptions,
    readonly open: PairedLink,
    readonly context: Context,
  ) {
    this.#store = new MessageStore({
      folder: { path: folder },
      raw: options.raw === true,
      bytesMax: options.maxBytes,
      today: () => context.today(),
      formatAddress: (address) => open.formatAddress(address),
    });
  }

  async run(): Promise<void> {
    const { open, context } = this;
    const { clock } = context;
    const endpoint = await Endpoint.open({
      link: open.link,
      clock,
      ...this.#limits(),
      ...open.endpointOptions,
    });
    const work = [
      this.#takeMessages(endpoint),
      this.#takeRequests(endpoint),
      ...Array.from({ length: WRITERS }, () => this.#takeStreams(endpoint)),
    ];
    this.#announce();
    const ends = [open.failed, open.ended].filter((signal) => signal !== undefined);
    await whenAborted(context.signal, this.#over.signal, ...ends);
    this.#over.abort();
    if (this.#hasOne) await letPeersGo(endpoint, context);
    else await this.#storeWhatIsHere(endpoint);
    if (open.ended) this.#tellOfHaste(endpoint);
    await endpoint.close();
    await Promise.all(work);
    this.#finish();
  }

  /** What is long goes through streams; what is too long is refused as such. */
  #limits(): Partial<ProtocolConfig> {
    const { maxBytes } = this.options;
    return {
      messageBytesMax: Math.min(maxBytes, REQUEST_BYTES_MAX),
      accept: ({ totalBytes }: MessageHead) => {
        if (this.#over.signal.aborted) return "refuse";
        if (totalBytes === undefined) return "stream";
        // Beyond the limit for whole messages: so the sender is told that it is the length.
        if (totalBytes > maxBytes) return "whole";
        return totalBytes > WHOLE_BYTES_MAX ? "stream" : "whole";
      },
    };
  }

  #announce(): void {
    const { open, folder, options, context } = this;
    const address = open.link.localAddress && open.formatAddress(open.link.localAddress);
    if (options.json) {
      writeJson(context.output, { type: "listening", link: open.describe, address, folder });
    }
    const last = open.ended ? "Ends with the recording." : "Ctrl-C ends it.";
    const end = options.once ? "Ends after one message." : last;
    context.output.err(
      `Listening on ${open.describe}. Messages go to ${printable(folder)}. ${end}\n`,
    );
  }

  async #takeMessages(endpoint: Endpoint): Promise<void> {
    for await (const message of endpoint.messages()) {
      if (this.#hasOne) continue;
      this.#tell(await this.#busy(this.#store.storeWhole(message)), false);
    }
  }

  async #takeRequests(endpoint: Endpoint): Promise<void> {
    for await (const request of endpoint.requests()) {
      if (this.#hasOne) continue;
      this.#tell(await this.#busy(this.#answer(request)), true);
    }
  }

  async #answer(request: Request): Promise<Stored> {
    const stored = await this.#store.storeWhole(request);
    const answer = stored.isStored
      ? request.reply(encodeValue({ bytes: stored.bytes, sha256: stored.sha256 }))
      : request.fail(stored.problem.message);
    // The asker may be gone by now: then nobody misses the answer.
    await answer.catch(() => {});
    return stored;
  }

  async #takeStreams(endpoint: Endpoint): Promise<void> {
    for await (const stream of endpoint.streams()) {
      if (this.#hasOne) continue;
      const reader = new StreamReader(stream, this.#over.signal, this.context.clock);
      this.#tell(await this.#busy(this.#store.storeStream(stream.peer, reader)), false);
    }
  }

  async #busy(storing: Promise<Stored>): Promise<Stored> {
    this.#writing++;
    const stored = await storing;
    this.#writing--;
    return stored;
  }

  #tell(stored: Stored, isRequest: boolean): void {
    const { options, context } = this;
    if (stored.isStored) {
      this.#messages++;
      this.#bytes += stored.bytes;
    }
    if (!stored.isStored || stored.digest === "differs") this.#failures++;
    if (options.json) writeJson(context.output, storedObject(stored, isRequest));
    else if (stored.isStored) context.output.out(storedLine(stored, isRequest));
    if (!stored.isStored) {
      const { message } = stored.problem;
      context.output.err(`fardel: Not stored, from ${stored.from}: ${printable(message)}\n`);
    }
    if (!options.once || !stored.isStored) return;
    this.#hasOne = true;
    this.#over.abort();
  }

  /** What was acknowledged must not be dropped: its sender takes it for delivered. */
  async #storeWhatIsHere(endpoint: Endpoint): Promise<void> {
    const { clock } = this.context;
    // What is held but not written is the start of a message, and may stay one.
    const endUs = clock.nowUs() + CLEAN_UP_US;
    while (this.#writing > 0 || (endpoint.heldBytes > 0 && clock.nowUs() < endUs)) {
      await pause(clock, POLL_US);
    }
  }

  /** Of a recording nothing comes a second time. */
  #tellOfHaste(endpoint: Endpoint): void {
    const reports = endpoint.reports();
    const dropped = reports.reduce((sum, { fragmentsDropped }) => sum + fragmentsDropped, 0);
    if (dropped === 0) return;
    const what = `${counted(dropped, "fragment")} could not be taken when they came`;
    this.context.output.err(`${what}. If messages are missing, play more slowly.\n`);
  }

  #finish(): void {
    const { options, open, context } = this;
    const facts = { messages: this.#messages, bytes: this.#bytes, failures: this.#failures };
    if (open.failed?.aborted) throw open.failed.reason;
    if (options.json) writeJson(context.output, { type: "summary", ...facts });
    else {
      const failed = facts.failures > 0 ? `; ${counted(facts.failures, "failure")}` : "";
      const stored = `${counted(facts.messages, "message")}, ${bytes(facts.bytes)}`;
      context.output.err(`Stored ${stored}${failed}.\n`);
    }
    if (this.#failures > 0) context.exitWith(EXIT.failed);
    else if (context.signal.aborted) context.exitWith(EXIT.interrupted);
  }
}

/** Acks may be lost: whoever repeats its message must still find somebody who acknowledges it. */
async function letPeersGo(endpoint: Endpoint, { clock, signal }: Context): Promise<void> {
  const startUs = clock.nowUs();
  const isHere = ({ phase }: PeerReport) => phase !== "idle" && phase !== "closed";
  const isQuiet = ({ silentUs = 0 }: PeerReport) => silentUs >= QUIET_US;
  for (;;) {
    await pause(clock, POLL_US, signal);
    const elapsedUs = clock.nowUs() - startUs;
    const peers = endpoint.reports().filter(isHere);
    if (signal.aborted || peers.length === 0 || elapsedUs >= GOODBYE_US_MAX) return;
    if (elapsedUs >= QUIET_US && peers.every(isQuiet)) return;
  }
}

function storedLine(stored: StoredMessage, isRequest: boolean): string {
  const { from, file, sha256, digest } = stored;
  const request = isRequest ? " (request)" : "";
  const facts = [from, bytes(stored.bytes), `${printable(file)}${request}`, `sha-256 ${sha256}`];
  return `${facts.join("  ")}${DIGEST_WORDS[digest]}\n`;
}

const DIGEST_WORDS: Readonly<Record<StoredMessage["digest"], string>> = {
  matches: ", as announced",
  differs: ", NOT AS ANNOUNCED",
  "not-announced": "",
};

function storedObject(stored: Stored, isRequest: boolean): Record<string, unknown> {
  if (stored.isStored) {
    const { isStored: _, ...facts } = stored;
    return { type: "message", isRequest, ...facts };
  }
  const { code, message } = stored.problem;
  return { type: "failure", isRequest, from: stored.from, code, message };
}
