import type { IncomingStream, PeerReport, SendOptions, SessionEnd } from "@fardel/core";
import { FardelError, type FardelErrorCode } from "@fardel/core";
import {
  BoardEndpoint,
  type BoardMessage,
  BoardRefusal,
  type BoardSend,
} from "../../packages/board-c/test/board-endpoint.js";
import { C, KIND, type Piece } from "../../packages/board-c/test/board-program.js";
import type { Target } from "../../packages/board-c/test/support/build.js";
import type { CProgram } from "../../packages/board-c/test/support/c-program.js";
import { nativeProgram } from "../../packages/board-c/test/support/native-program.js";
import { wasmProgram } from "../../packages/board-c/test/support/wasm-program.js";
import { Inbox } from "../../packages/core/src/inbox.js";
import {
  CHANNEL_RANGES,
  exchangeChannel,
  indexInWay,
  PRIORITY_RANK,
  wayOfChannel,
} from "../../packages/core/src/protocol/channels.js";
import { deadlineUs, wireChannel } from "../../packages/core/src/send-options.js";
import { type BoardPlan, boardPlan } from "./board-plan.js";
import { NAMED_BYTES_MIN } from "./payload.js";
import type {
  OpenEndpoint,
  StationEndpoint,
  StationEndpointOptions,
  StationMessage,
  StationPeer,
  StationRequest,
} from "./station-endpoint.js";

/** Longest deadline that fardel.h takes, microseconds: beyond it, none is meant. */
const DEADLINE_US_MAX = 1_800_000_000;

const CODES: Readonly<Record<number, FardelErrorCode>> = {
  [C.inUse]: "queue-full",
  [C.tooLarge]: "message-too-large",
  [C.deadline]: "deadline-passed",
  [C.cancelled]: "endpoint-closed",
  [C.refused]: "refused-by-peer",
  [C.damaged]: "damaged",
  [C.peerRestarted]: "peer-restarted",
  [C.unreachable]: "peer-unreachable",
  [C.peerClosed]: "peer-closed",
};
const OUTCOMES = {
  [C.delivered]: "delivered",
  [C.sent]: "sent",
  [C.replaced]: "replaced",
} as const;

const programs = new Map<string, CProgram>();

/** All boards of a process that are built alike share one program. */
function programOf({ defines }: BoardPlan, target: Target): CProgram {
  const key = [target, ...defines].join(" ");
  const open = () =>
    target === "wasm"
      ? wasmProgram("endpoint", defines)
      : nativeProgram("endpoint", target, defines);
  const known = programs.get(key);
  const program = known?.isUsable ? known : open();
  programs.set(key, program);
  return program;
}

/** What the boards of a run have in common. */
export interface BoardSetting {
  readonly stations: number;
  readonly hasStrangers: boolean;
  /** Nobody is given up for a silence that the run does not mean. */
  readonly isPatient: boolean;
  readonly isProtected: boolean;
  readonly target: Target;
}

/** The endpoint in C, with the application of a station. */
export function boardOpener(setting: BoardSetting): OpenEndpoint {
  return async (options) => {
    const plan = boardPlan(options, setting);
    const station = new BoardStation(options, plan, programOf(plan, setting.target));
    await station.board.open();
    return station;
  };
}

interface Pending {
  readonly peer: string;
  isDelivered: boolean;
  resolve(bytes: Uint8Array): void;
  reject(error: FardelError): void;
}

/** As much of the API of the TypeScript endpoint as a station needs, with the C code below it. */
class BoardStation implements StationEndpoint {
  readonly board: BoardEndpoint;
  readonly #messages = new Inbox<StationMessage>();
  readonly #requests = new Inbox<StationRequest>();
  readonly #pending = new Map<string, Pending>();
  readonly #sessions = new Map<string, number>();
  readonly #met = new Map<string, Uint8Array>();
  readonly #starts = new Map<string, Uint8Array>();
  readonly #listeners: Parameters<StationEndpoint["on"]>[1][] = [];
  #onMessage: ((message: StationMessage) => void) | undefined;
  #unread = 0;
  #isBusy = false;
  #isClosing = false;
  #nextId: number;

  constructor(
    readonly options: StationEndpointOptions,
    readonly plan: BoardPlan,
    program: CProgram,
  ) {
    const { link, clock, random } = options.typescript;
    if (!clock || !random) throw new Error("A station needs a clock and numbers.");
    this.board = new BoardEndpoint({
      ...plan.config,
      ...{ program, link, clock, random },
      ...(options.boardKeys && { keys: options.boardKeys }),
      application: {
        takes: (piece) => this.#take(piece),
        message: (message) => this.#receive(message),
        session: (address, what, reason) => this.#noteSession(address, what, reason),
        vanished: (address) => this.#tellEnd(address, "peer-restarted"),
      },
      onFault: options.fail,
    });
    this.#nextId = random() & 0xffff;
  }

  get heldBytes(): number {
    return this.board.held;
  }

  reports(): Pick<PeerReport, "heldBytes" | "queuedBytes" | "queuedMessages">[] {
    return [];
  }

  on(_type: "session-ended", listener: Parameters<StationEndpoint["on"]>[1]): void {
    this.#listeners.push(listener);
  }

  onMessage(handler: (message: StationMessage) => void): void {
    this.#onMessage = handler;
  }

  messages(): AsyncIterable<StationMessage> {
    return this.#messages.read();
  }

  requests(): AsyncIterable<StationRequest> {
    return this.#requests.read();
  }

  async *streams(): AsyncGenerator<IncomingStream> {}

  async close(): Promise<void> {
    for (const address of this.#met.values()) this.#closePeer(address);
    this.board.stop();
    await this.options.typescript.link.close();
  }

  peer(address: Uint8Array): StationPeer {
    const peer = address.slice();
    this.#met.set(String(peer), peer);
    return {
      address: peer,
      send: (bytes, options) => this.#sendMessage(peer, bytes, options),
      request: (bytes, options) => this.#request(peer, bytes, options),
      // All priorities share the places of FARDEL_SEND_WINDOW: a command cannot leave before there is one.
      report: () =>
        this.board.isOpen(peer) && this.board.placesTo(peer) > 0
          ? { phase: "open", isVerified: true }
          : undefined,
      close: () => this.#closePeer(peer),
    };
  }

  /** Whoever ends a session takes what was acknowledged in it, busy or not: it will not come again. */
  #closePeer(peer: Uint8Array): void {
    this.#isClosing = true;
    this.board.closePeer(peer);
    this.#isClosing = false;
  }

  async #sendMessage(to: Uint8Array, bytes: Uint8Array, options: SendOptions) {
    const channel = wireChannel(options) + (options.way === "unacknowledged" ? C.loose : 0);
    return { outcome: await this.#send(to, bytes, { channel }, options) };
  }

  /** @throws FardelError */
  async #send(
    to: Uint8Array,
    bytes: Uint8Array,
    send: BoardSend,
    { priority = "normal", deadlineMs, signal, afterRestart, firstContact }: SendOptions,
  ) {
    const dueInUs = deadlineMs === undefined ? Infinity : deadlineUs(deadlineMs);
    let sending: ReturnType<BoardEndpoint["send"]>;
    try {
      sending = this.board.send(to, bytes, {
        ...send,
        priority: PRIORITY_RANK[priority],
        deadlineUs: dueInUs <= DEADLINE_US_MAX ? dueInUs : 0,
        options:
          (afterRestart === "resend" ? C.resend : 0) +
          (firstContact === "handshake" ? C.handshake : 0),
        isRead: bytes.length % 2 === 1,
      });
    } catch (error) {
      throw error instanceof BoardRefusal ? errorFor(error.result) : error;
    }
    const onAbort = () => sending.cancel();
    signal?.addEventListener("abort", onAbort, { once: true });
    const result = await sending.ended;
    signal?.removeEventListener("abort", onAbort);
    if (result === C.cancelled && signal?.aborted) throw new FardelError("aborted", "aborted");
    const outcome = OUTCOMES[result as keyof typeof OUTCOMES];
    if (!outcome) throw errorFor(result);
    return outcome;
  }

  // Requests

  async #request(to: Uint8Array, bytes: Uint8Array, options: SendOptions): Promise<Uint8Array> {
    const { clock } = this.options.typescript;
    const id = this.#nextId;
    this.#nextId = (id + 1) & 0xffff;
    const key = `${id} ${to}`;
    const reply = new Promise<Uint8Array>((resolve, reject) => {
      this.#pending.set(key, { peer: String(to), isDelivered: false, resolve, reject });
    });
    const fail = (error: FardelError) => {
      this.#pending.get(key)?.reject(error);
      this.#pending.delete(key);
      clock?.wakeWaiters?.();
    };
    const dueUs = deadlineUs(options.deadlineMs, clock?.nowUs());
    const timer = clock?.setTimer(dueUs, () => fail(new FardelError("not-answered", "late")));
    const onAbort = () => fail(new FardelError("aborted", "aborted"));
    options.signal?.addEventListener("abort", onAbort, { once: true });
    const channel = exchangeChannel(options.priority ?? "normal");
    this.#send(to, bytes, { channel, kind: KIND.request, id }, options).then(() => {
      const pending = this.#pending.get(key);
      if (pending) pending.isDelivered = true;
    }, fail);
    try {
      return await reply;
    } finally {
      clock?.clearTimer(timer);
      options.signal?.removeEventListener("abort", onAbort);
    }
  }

  #takeAnswer({ address, kind, id, bytes }: BoardMessage): void {
    const key = `${id} ${address}`;
    const pending = this.#pending.get(key);
    this.#pending.delete(key);
    if (kind === KIND.reply) pending?.resolve(bytes);
    else pending?.reject(new FardelError("request-failed", new TextDecoder().decode(bytes)));
  }

  #incoming({ address, channel, id, bytes }: BoardMessage): StationRequest {
    const session = this.#sessions.get(String(address));
    const answer = async (kind: number, reply: Uint8Array) => {
      // Another session's requests have other ids.
      const now = this.#sessions.get(String(address));
      if (session !== undefined && now !== session) throw errorFor(C.peerRestarted);
      return this.#send(address, reply, { channel, kind, id }, {});
    };
    return {
      peer: { address },
      bytes,
      reply: (reply) => answer(KIND.reply, reply),
      fail: (text) => answer(KIND.failure, new TextEncoder().encode(text)),
    };
  }

  #noteSession(address: Uint8Array, what: "opened" | "ended", reason: number): void {
    const peer = String(address);
    this.#sessions.set(peer, (this.#sessions.get(peer) ?? 0) + 1);
    if (what === "opened") return;
    const code = CODES[reason] ?? "endpoint-closed";
    for (const [key, pending] of this.#pending) {
      if (pending.peer !== peer || !pending.isDelivered) continue;
      this.#pending.delete(key);
      pending.reject(errorFor(reason));
    }
    this.#tellEnd(address, (code === "endpoint-closed" ? "closed-here" : code) as SessionEnd);
  }

  #tellEnd(address: Uint8Array, why: SessionEnd): void {
    for (const listener of this.#listeners) listener({ peer: { address }, why });
  }

  // What arrives

  #take(piece: Piece): "taken" | "busy" | "unwanted" {
    const isFull = this.#unread >= this.plan.unreadMax && !this.#isClosing;
    if (isFull && (piece.part & this.plan.busyAt) !== 0) {
      this.#isBusy = true;
      return "busy";
    }
    const { channel, part, offset, bytes } = piece;
    if (channel === CHANNEL_RANGES.exchange.first || channel === CHANNEL_RANGES.exchange.first + 1)
      return "taken";
    return this.#isLeft(piece, `${piece.address} ${channel}`, part, offset + bytes.length)
      ? "unwanted"
      : "taken";
  }

  /** Whether the application does not want it: from the first piece on, or from a later one. */
  #isLeft(piece: Piece, lane: string, part: number, bytes: number): boolean {
    const { refuseShare, cancelShare } = this.options.plan.accept;
    if (refuseShare + cancelShare === 0) return false;
    const { shareOf } = this.options;
    const isFirst = (part & C.first) !== 0;
    if (isFirst) this.#starts.set(lane, piece.bytes.slice(0, NAMED_BYTES_MIN));
    const total = piece.total || (part & C.last ? bytes : 0);
    const isRefused = isFirst && shareOf("accept", total, piece.channel) < refuseShare;
    const isCancelled =
      !isFirst && (part & C.last) === 0 && shareOf("cancel", total, piece.channel) < cancelShare;
    const start = this.#starts.get(lane);
    if ((isRefused || isCancelled) && start?.length === NAMED_BYTES_MIN)
      this.options.noteLeftUnread(start);
    return isRefused || isCancelled;
  }

  #receive(message: BoardMessage): void {
    const { address, channel, kind, bytes } = message;
    if (kind === KIND.reply || kind === KIND.failure) {
      this.#takeAnswer(message);
      return;
    }
    if (kind === KIND.request) {
      this.#hold();
      this.#requests.push(this.#incoming(message), () => this.#release());
      return;
    }
    const isLoose = channel >= C.loose;
    const whole = {
      peer: { address },
      bytes,
      way: isLoose ? ("unacknowledged" as const) : wayOfChannel(channel),
      channel: isLoose ? channel - C.loose : indexInWay(channel),
    };
    if (this.#onMessage) {
      this.#onMessage(whole);
      return;
    }
    this.#hold();
    this.#messages.push(whole, () => this.#release());
  }

  #hold(): void {
    this.#unread++;
  }

  #release(): void {
    this.#unread--;
    if (!this.#isBusy || this.#unread >= this.plan.unreadMax) return;
    this.#isBusy = false;
    this.board.resume();
  }
}

function errorFor(result: number): FardelError {
  const code = CODES[result];
  if (!code) throw new Error(`fardel.h: result ${result}, which nothing here should lead to.`);
  return new FardelError(code, `fardel.h: ${result}`);
}
