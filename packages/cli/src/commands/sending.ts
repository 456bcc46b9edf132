import {
  type Delivery,
  FardelError,
  type FardelErrorCode,
  type PeerReport,
  type Priority,
  type Receipt,
  type RemotePeer,
  type SendOptions,
  type Way,
} from "@fardel/core";
import { decodeValue } from "@fardel/msgpack";
import { pause } from "../abort.js";
import type { Context } from "../context.js";
import { bytes, bytesPerSecond, count, duration } from "../format.js";
import { linkFacts, linkObject, renderFacts } from "../link-facts.js";
import { hex, printable, toJson, writeJson } from "../output.js";
import type { PairedLink } from "../paired/paired-boards.js";
import { EXIT, type ExitCode, Problem } from "../problem.js";
import { startProgress } from "../progress.js";
import type { LinkOptions } from "./common-options.js";
import type { Content, ContentOptions } from "./send-content.js";

export interface SendingOptions extends LinkOptions, Omit<ContentOptions, "file"> {
  readonly to?: string;
  readonly priority: Priority;
  readonly way?: Way;
  readonly channel?: number;
  readonly window?: number;
  /** Microseconds. */
  readonly deadline?: number;
  readonly request?: boolean;
  readonly afterRestart?: "report" | "resend";
}

/** A reply is acknowledged after 25 ms at most; the peer should hear that before it hears goodbye. */
const GOODBYE_AFTER_US = 60_000;

/** What a message became. */
interface Outcome {
  readonly outcome: Receipt["outcome"] | "answered";
  readonly elapsedUs: number;
  readonly reply?: Uint8Array;
}

/** One message to one peer, and what is said about it. */
export class Sending {
  readonly #to: string;
  #acknowledgedBytes = 0;

  constructor(
    readonly content: Content,
    readonly options: SendingOptions,
    readonly open: PairedLink,
    readonly peer: RemotePeer,
    readonly context: Context,
  ) {
    this.#to = open.formatAddress(peer.address);
  }

  /** Length of the message. */
  get bytes(): number {
    return this.content.message.length;
  }

  async run(): Promise<void> {
    const { content, open, context } = this;
    const label = printable(content.label);
    context.output.err(
      `Sending ${label}, ${bytes(content.message.length)}, to ${open.nameOf(this.peer.address)} over ${open.describe}.\n`,
    );
    const outcome = await this.#deliver();
    const report = this.peer.report();
    if (this.options.json) this.#writeJson(outcome, report);
    else this.#write(outcome, report);
  }

  async #deliver(): Promise<Outcome> {
    const { clock, output, signal } = this.context;
    const { message } = this.content;
    const { request, deadline, afterRestart, priority, way, channel } = this.options;
    const startedUs = clock.nowUs();
    const progress = startProgress(output, message.length);
    const options: SendOptions = {
      priority,
      signal,
      ...(deadline !== undefined && { deadlineMs: deadline / 1000 }),
      ...(afterRestart !== undefined && { afterRestart }),
      ...(way !== undefined && { way }),
      ...(channel !== undefined && { channel }),
      onProgress: ({ acknowledgedBytes }) => {
        // A request is longer than its message: it has a head of its own.
        const done = Math.min(acknowledgedBytes, message.length);
        this.#acknowledgedBytes = done;
        progress.update(done, `${count(done)} of ${bytes(message.length)}`);
      },
    };
    try {
      if (!request) return await this.peer.send(message, options);
      const reply = await this.peer.request(message, options);
      const elapsedUs = clock.nowUs() - startedUs;
      await pause(clock, GOODBYE_AFTER_US, signal);
      return { outcome: "answered", elapsedUs, reply };
    } catch (error) {
      throw error instanceof FardelError ? this.#failure(error) : error;
    } finally {
      progress.stop();
    }
  }

  #failure(error: FardelError): Problem {
    const { bytes: length } = this;
    const isInterrupted = error.code === "aborted";
    const report = this.peer.report();
    const sentences = [isInterrupted ? "Ended by Ctrl-C." : error.message];
    if (error.delivery) {
      const acknowledged = `${count(this.#acknowledgedBytes)} of ${bytes(length)}`;
      sentences.push(`${acknowledged} were acknowledged. ${DELIVERY_SENTENCES[error.delivery]}`);
    }
    if (report && report.datagramsSent > 0 && !this.options.json) {
      this.context.output.err(renderFacts(linkFacts(report)));
    }
    const code = isInterrupted ? "interrupted" : error.code;
    return new Problem(exitOf(error.code), code, sentences.join(" "), {
      cause: error,
      details: {
        to: this.#to,
        bytes: length,
        acknowledgedBytes: this.#acknowledgedBytes,
        ...(error.delivery && { delivery: error.delivery }),
        ...(report && { link: linkObject(report) }),
      },
    });
  }

  #write({ outcome, elapsedUs, reply }: Outcome, report: PeerReport | undefined): void {
    const { output } = this.context;
    const { sha256, name } = this.content;
    const speed = outcome === "sent" ? "" : `, ${bytesPerSecond(perSecond(this.bytes, elapsedUs))}`;
    output.out(`${outcome}: ${bytes(this.bytes)} in ${duration(elapsedUs)}${speed}\n`);
    const facts = [["sha-256", sha256] as const, ...(report ? linkFacts(report) : [])];
    if (name !== undefined) facts.unshift(["name", printable(name)]);
    output.out(renderFacts(facts));
    if (reply) output.out(`reply: ${replyText(reply)}${this.#comparison(reply)}\n`);
  }

  #writeJson({ outcome, elapsedUs, reply }: Outcome, report: PeerReport | undefined): void {
    const { sha256, name } = this.content;
    writeJson(this.context.output, {
      outcome,
      to: this.#to,
      bytes: this.bytes,
      ...(name !== undefined && { name }),
      sha256,
      elapsedUs,
      goodputBytesPerS: Math.round(perSecond(this.bytes, elapsedUs)),
      isProtected: report?.isProtected ?? false,
      ...(reply && replyFields(reply)),
      ...(report && { link: linkObject(report) }),
    });
  }

  /** Whether a reply that tells a digest, as that of fardel receive, tells ours. */
  #comparison(reply: Uint8Array): string {
    const fields = replyFields(reply);
    const value = "reply" in fields ? fields.reply : undefined;
    if (typeof value !== "object" || value === null || !("sha256" in value)) return "";
    return value.sha256 === this.content.sha256 ? " (the digest sent)" : " (ANOTHER DIGEST)";
  }
}

const DELIVERY_SENTENCES: Readonly<Record<Delivery, string>> = {
  none: "It cannot have arrived whole.",
  unknown: "It may have arrived all the same.",
};

function exitOf(code: FardelErrorCode): ExitCode {
  if (code === "aborted") return EXIT.interrupted;
  return code === "invalid-option" ? EXIT.usage : EXIT.failed;
}

function perSecond(byteCount: number, elapsedUs: number): number {
  return (byteCount * 1e6) / Math.max(1, elapsedUs);
}

/** A reply that is MessagePack is a value; any other is bytes. */
function replyFields(
  reply: Uint8Array,
): { readonly reply: unknown } | { readonly replyHex: string } {
  try {
    return { reply: decodeValue(reply) };
  } catch {
    return { replyHex: hex(reply) };
  }
}

function replyText(reply: Uint8Array): string {
  const fields = replyFields(reply);
  if ("reply" in fields) return printable(toJson(fields.reply));
  return `${bytes(reply.length)}, not MessagePack: ${fields.replyHex}`;
}
