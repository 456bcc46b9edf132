import type { SendOutcome } from "@fardel/core";
import type {
  BridgeFacts,
  BridgeFrame,
  HelloFrame,
  HostFrame,
  TokenOutcome,
} from "../bridge-frames.js";
import { ANSWER_US, CHANNEL_REPEAT_US } from "../limits.js";
import { Greeting, isCommon } from "./greeting.js";
import type {
  ChannelAnswer,
  Handover,
  HostEvent,
  SessionLoss,
  SessionStop,
  Versions,
} from "./host-events.js";
import { QUESTION_TIMES_MAX, Question, RequestNumbers } from "./question.js";
import { Sending } from "./sending.js";
import { Silence } from "./silence.js";

const LINK_OUTCOMES: Readonly<Record<TokenOutcome, SendOutcome>> = {
  sent: "sent",
  acknowledged: "acknowledged",
  "not-acknowledged": "not-acknowledged",
  "queue-full": "refused",
  "lost-on-line": "refused",
  "not-taken": "refused",
  unknown: "gone",
};

/** Counts of one session after the other on one port. */
export interface HostCounts {
  /** Datagrams that the bridge passed on, and those that the numbers show to be missing. */
  received: number;
  receivedMissing: number;
  /** Datagrams that never reached the bridge. */
  lostOnLine: number;
  /** Sessions that ended because the board restarted or because the two were out of step. */
  restarts: number;
}

export interface HostSessionOptions {
  /** Uniform unsigned 32-bit numbers. */
  readonly random: () => number;
  /** Microseconds that so many bytes need on the line; 0 where it is not known. */
  readonly timeOnLine: (bytes: number) => number;
  /** Time without HELLO after which to give up, microseconds; default 3 s. */
  readonly answerUs?: number;
  readonly counts: HostCounts;
}

/**
 * The host's side of the bridge protocol on one open port, without bytes, timers or promises.
 *
 * Commands: `send`, `setChannel`, `askStatistics`, `stop`. Inputs: `handleFrame`, `handleTimeout`.
 * Outputs: after each input or command call `pollEvent` until nothing comes, then `pollFrame` as long
 * as the port takes bytes, then look at `timeoutUs`.
 */
export class HostSession {
  readonly #options: HostSessionOptions;
  readonly #events: HostEvent[] = [];
  readonly #sending: Sending;
  readonly #silence: Silence;
  readonly #status: Question;
  readonly #statistics: Question;
  readonly #channelQuestion: Question;
  #greeting: Greeting | undefined;
  #facts: BridgeFacts | undefined;
  #bridge = 0;
  #host = 0;
  /** The radio channel to be asked for, while the question waits or is pending. */
  #channelWanted: number | undefined;
  /** Whether the STATUS? that is pending was asked for outcomes, not just for a sign of life. */
  #asksForOutcomes = false;
  #sequence = 0;
  #isStopped = false;

  constructor(options: HostSessionOptions, nowUs: number) {
    const numbers = new RequestNumbers();
    this.#options = options;
    this.#sending = new Sending(options.timeOnLine);
    this.#silence = new Silence(nowUs);
    // As often as it takes: silence ends the session.
    this.#status = new Question(numbers, Number.POSITIVE_INFINITY);
    this.#statistics = new Question(numbers, QUESTION_TIMES_MAX);
    this.#channelQuestion = new Question(numbers, QUESTION_TIMES_MAX);
    this.#greet(nowUs);
  }

  /** What the bridge said of itself; `undefined` while there is no session. */
  get facts(): BridgeFacts | undefined {
    return this.#facts;
  }

  /** When {@link HostSession.handleTimeout} has something to do. */
  get timeoutUs(): number {
    if (this.#isStopped) return Number.POSITIVE_INFINITY;
    if (this.#greeting) return this.#greeting.timeoutUs;
    return Math.min(
      this.#silence.overUs,
      this.#isAskingForOutcomes ? Number.POSITIVE_INFINITY : this.#sending.questionUs,
      this.#status.isPending ? Number.POSITIVE_INFINITY : this.#silence.questionUs,
      this.#status.timeoutUs,
      this.#statistics.timeoutUs,
      this.#channelQuestion.timeoutUs,
    );
  }

  // ---- commands

  /** @returns `false` where there is no session: nothing was taken */
  send(handover: Handover): boolean {
    if (!this.#facts) return false;
    this.#sending.push(handover);
    return true;
  }

  /** One at a time: the caller waits for `channel-answered`. */
  setChannel(channel: number, nowUs: number): void {
    if (!this.#facts) {
      this.#events.push({ type: "channel-answered", answer: { result: "session-lost" } });
      return;
    }
    this.#channelWanted = channel;
    this.#channelQuestion.begin();
    this.#noteAsked(nowUs);
  }

  /** One at a time: the caller waits for `statistics-answered`. */
  askStatistics(nowUs: number): void {
    if (!this.#facts) {
      this.#events.push({ type: "statistics-answered", answer: { result: "session-lost" } });
      return;
    }
    this.#statistics.begin();
    this.#noteAsked(nowUs);
  }

  /** No more: what is outstanding ends as `gone`. */
  stop(): void {
    if (this.#isStopped) return;
    this.#isStopped = true;
    this.#greeting = undefined;
    this.#letGo();
  }

  // ---- inputs

  /** Anything undamaged came from the bridge, also what is not understood. */
  handleSignOfLife(nowUs: number): void {
    this.#silence.heard(nowUs);
    // That was all that this one was asked for.
    if (this.#status.isPending && !this.#asksForOutcomes) this.#status.end();
  }

  handleFrame(frame: BridgeFrame, nowUs: number): void {
    if (this.#isStopped) return;
    this.handleSignOfLife(nowUs);
    if (frame.type === "log") {
      this.#events.push({ type: "log-received", level: frame.level, text: frame.text });
    } else if (frame.type === "hello") this.#handleHello(frame, nowUs);
    else if (this.#facts) this.#handleAnswer(frame, nowUs);
  }

  handleTimeout(nowUs: number): void {
    if (this.#isStopped) return;
    if (this.#greeting) {
      if (this.#greeting.handleTimeout(nowUs)) this.#end("no-answer");
      return;
    }
    if (nowUs >= this.#silence.overUs) {
      this.#end("silent");
      return;
    }
    this.#askStatus(nowUs);
    if (this.#status.handleTimeout(nowUs) === "asked-again") this.#noteAsked(nowUs);
    const statistics = this.#statistics.handleTimeout(nowUs);
    if (statistics === "asked-again") this.#noteAsked(nowUs);
    if (statistics === "given-up") {
      this.#events.push({ type: "statistics-answered", answer: { result: "not-answered" } });
    }
    const channel = this.#channelQuestion.handleTimeout(nowUs);
    if (channel === "asked-again") this.#noteAsked(nowUs);
    if (channel === "given-up") this.#endChannelQuestion({ result: "not-answered" });
  }

  // ---- outputs

  pollEvent(): HostEvent | undefined {
    return this.#events.shift();
  }

  /**
   * The next frame for the line, if there is one.
   * @param hasPause - whether nothing leaves right before it
   */
  pollFrame(nowUs: number, hasPause: boolean): HostFrame | undefined {
    if (this.#isStopped) return undefined;
    if (this.#greeting) return this.#greeting.poll(nowUs);
    return this.#pollQuestion(nowUs) ?? this.#pollSend(nowUs, hasPause);
  }

  // ---- hello

  #greet(nowUs: number): void {
    let host = this.#options.random() >>> 0;
    // 0 means nobody, and the number of the session before would change nothing.
    if (host === 0 || host === this.#host) host = (host + 1) >>> 0 || 1;
    this.#host = host;
    this.#greeting = new Greeting(host, this.#options.answerUs ?? ANSWER_US, nowUs);
  }

  #handleHello(hello: HelloFrame, nowUs: number): void {
    if (this.#greeting) {
      if (this.#greeting.isAnsweredBy(hello)) this.#open(hello);
      return;
    }
    // The same answer once more: HELLO? was repeated while the first one was on its way.
    if (hello.host === this.#host && hello.bridge === this.#bridge) return;
    this.#lose("restarted", nowUs);
  }

  #open(hello: HelloFrame): void {
    const { facts, bridge, versionMin, versionMax } = hello;
    if (!facts || !isCommon(hello)) {
      this.#end("version-mismatch", { versionMin, versionMax });
      return;
    }
    this.#greeting = undefined;
    this.#facts = facts;
    this.#bridge = bridge;
    this.#sequence = 0;
    this.#events.push({ type: "session-opened", facts });
  }

  #lose(why: SessionLoss, nowUs: number): void {
    this.#options.counts.restarts++;
    this.#letGo();
    this.#events.push({ type: "session-lost", why });
    this.#greet(nowUs);
  }

  #end(why: SessionStop, versions?: Versions): void {
    this.stop();
    this.#events.push({ type: "session-stopped", why, ...(versions && { versions }) });
  }

  /** Nobody knows what became of anything. */
  #letGo(): void {
    this.#facts = undefined;
    for (const handover of this.#sending.clear()) this.#finish(handover, "gone");
    this.#status.end();
    if (this.#statistics.isPending) {
      this.#statistics.end();
      this.#events.push({ type: "statistics-answered", answer: { result: "session-lost" } });
    }
    if (this.#channelWanted !== undefined) this.#endChannelQuestion({ result: "session-lost" });
  }

  // ---- in session

  #handleAnswer(frame: Exclude<BridgeFrame, HelloFrame>, nowUs: number): void {
    switch (frame.type) {
      case "received":
        this.#handleReceived(frame);
        break;
      case "status":
        this.#handleStatus(frame, nowUs);
        break;
      case "channel":
        this.#handleChannel(frame);
        break;
      case "statistics":
        if (!this.#statistics.answer(frame.request)) return;
        this.#events.push({
          type: "statistics-answered",
          answer: { result: "answered", counts: frame.counts },
        });
        break;
      case "log":
        this.#events.push({ type: "log-received", level: frame.level, text: frame.text });
        break;
    }
  }

  #handleReceived(frame: Extract<BridgeFrame, { type: "received" }>): void {
    const { sequence, from, datagram, rssiDbm } = frame;
    const { counts } = this.#options;
    counts.received++;
    counts.receivedMissing += (sequence - this.#sequence) & 0xff;
    this.#sequence = (sequence + 1) & 0xff;
    this.#events.push({ type: "datagram-received", from, datagram, rssiDbm });
  }

  #handleStatus(frame: Extract<BridgeFrame, { type: "status" }>, nowUs: number): void {
    // After a question about outcomes nothing was handed over: its answer settles everything.
    const isAnswer = this.#status.answer(frame.request) && this.#asksForOutcomes;
    const finished = this.#sending.handleStatus(frame, isAnswer, nowUs);
    if (!finished) {
      this.#lose("out-of-step", nowUs);
      return;
    }
    for (const { handover, outcome } of finished) {
      if (outcome === "lost-on-line") this.#options.counts.lostOnLine++;
      this.#finish(handover, LINK_OUTCOMES[outcome]);
    }
  }

  #handleChannel(frame: Extract<BridgeFrame, { type: "channel" }>): void {
    const { request, result, channel } = frame;
    this.#events.push({ type: "channel-changed", channel });
    if (this.#channelQuestion.answer(request)) this.#endChannelQuestion({ result, channel });
  }

  #finish(handover: Handover, outcome: SendOutcome): void {
    this.#events.push({ type: "send-finished", handover, outcome });
  }

  // ---- questions

  get #isAskingForOutcomes(): boolean {
    return this.#status.isPending && this.#asksForOutcomes;
  }

  /** For outcomes that stay away, or for any sign of life. */
  #askStatus(nowUs: number): void {
    const asksForOutcomes = nowUs >= this.#sending.questionUs;
    const asksForLife = !this.#status.isPending && nowUs >= this.#silence.questionUs;
    if (this.#isAskingForOutcomes || !(asksForOutcomes || asksForLife)) return;
    this.#status.begin();
    // With nothing outstanding there is nothing to settle, and no reason to hold anything back.
    this.#asksForOutcomes = this.#sending.outstanding > 0;
    this.#noteAsked(nowUs);
  }

  #noteAsked(nowUs: number): void {
    this.#silence.asked(nowUs, this.#sending.lineUs);
  }

  #endChannelQuestion(answer: ChannelAnswer): void {
    this.#channelWanted = undefined;
    this.#channelQuestion.end();
    this.#events.push({ type: "channel-answered", answer });
  }

  #pollQuestion(nowUs: number): HostFrame | undefined {
    const status = this.#status.poll(nowUs, this.#sending.patienceUs);
    if (status !== undefined) return { type: "status-request", request: status };
    if (this.#channelWanted !== undefined && this.#sending.outstanding === 0) {
      const request = this.#channelQuestion.poll(nowUs, CHANNEL_REPEAT_US);
      if (request !== undefined) {
        return { type: "channel-request", request, channel: this.#channelWanted };
      }
    }
    const statistics = this.#statistics.poll(nowUs, CHANNEL_REPEAT_US);
    if (statistics !== undefined) return { type: "statistics-request", request: statistics };
    return undefined;
  }

  #pollSend(nowUs: number, hasPause: boolean): HostFrame | undefined {
    // Its answer tells what was lost only if nothing is under way behind the question.
    if (!this.#facts || this.#isAskingForOutcomes || this.#channelWanted !== undefined) {
      return undefined;
    }
    return this.#sending.poll(this.#facts.queue, nowUs, hasPause);
  }
}
