import type { VirtualClock } from "@fardel/lossy-link";
import type { Feature } from "./features.js";
import { BrokenPromise, type Incarnation, type Oracle, type Sent } from "./oracle.js";
import { NAMED_BYTES_MIN, payloadOf } from "./payload.js";
import type { Scenario } from "./scenario.js";

/** Room that heads and acks may take of a datagram that holds a whole message, bytes. */
const HEADS_BYTES_MAX = 45;
/** Shortest payload that is recognised within a datagram. */
const RECOGNISED_BYTES_MIN = NAMED_BYTES_MIN + 8;
/** An application has what was taken for it after so long, microseconds. */
const PROMPT_US = 1000;

/** What may keep a message from its application although its datagram has arrived. */
const HOLD_UPS: readonly Feature[] = [
  ...(["corruption", "reordering", "restarts", "radioRestarts", "closes", "impatience"] as const),
  ...(["slowReaders", "pausedReaders", "callbacks", "streams", "cancels", "refusals"] as const),
  ...(["smallBudgets", "strangers", "replays", "outages", "aborts", "deadlines"] as const),
];
/** What may close a window or end a session, so that a command waits for reasons of its own. */
const WINDOW_CLOSERS: readonly Feature[] = [
  ...(["slowReaders", "pausedReaders", "streams", "cancels", "refusals", "smallBudgets"] as const),
  ...(["restarts", "radioRestarts", "closes", "impatience", "outages", "strangers"] as const),
  // Until a SKIP has arrived, what was given up takes up the window.
  ...(["aborts", "deadlines"] as const),
];

/** Bytes that one address and one boot of an endpoint have sent to each other. */
interface Account {
  received: number;
  sent: number;
}

/** An urgent message that has not left yet. */
interface Command {
  readonly sent: Sent;
  readonly payload: Buffer;
  /** Datagrams that left before it. */
  ahead: number;
  /** Of others that are as urgent and came later: they go in turn with it. */
  rivals: number;
}

/** What one boot of an endpoint hands over and is given. */
export interface BootWatch {
  noteHandedOver(to: Uint8Array, datagram: Uint8Array): void;
  noteReceived(from: Uint8Array, datagram: Uint8Array): void;
  noteTaken(from: Uint8Array, datagram: Uint8Array): void;
}

/**
 * The promises that show on the way, not at the ends: that no channel holds up another (3), that
 * strangers get no more than they sent (7), and that commands go first (8). Like the oracle it uses
 * no code of the protocol: it looks for the bytes of messages in datagrams.
 *
 * The first and the last are checked only in runs where nothing else may delay a message.
 */
export class Watch {
  /** Datagrams to stations of this run: those to strangers depend on what the strangers send. */
  handedToStations = 0;
  /** How often each of the three has been put to the test. */
  readonly checks = { prompt: 0, strangers: 0, commands: 0 };
  readonly #isPrompt: boolean;
  readonly #isOpen: boolean;
  readonly #commands = new Map<Incarnation, Command>();

  constructor(
    readonly scenario: Scenario,
    readonly oracle: Oracle,
    readonly clock: VirtualClock,
    readonly stationAt: (address: Uint8Array) => number,
    readonly fail: (error: unknown) => void,
  ) {
    const { features, healed } = scenario;
    const has = (feature: Feature) => features.has(feature);
    this.#isPrompt = !HOLD_UPS.some(has) && (healed.jitterUs ?? 0) === 0;
    this.#isOpen = !WINDOW_CLOSERS.some(has);
  }

  /** What looks after one boot. */
  boot(incarnation: Incarnation): BootWatch {
    const accounts = new Map<string, Account>();
    const accountOf = (address: Uint8Array): Account | undefined => {
      if (this.stationAt(address) >= 0) return undefined;
      const key = String(address);
      const account = accounts.get(key) ?? { received: 0, sent: 0 };
      accounts.set(key, account);
      return account;
    };
    return {
      noteHandedOver: (to, datagram) => {
        const account = accountOf(to);
        if (account) this.#spend(account, incarnation, datagram.length);
        else this.handedToStations++;
        this.#noteAhead(incarnation, datagram);
      },
      noteReceived: (from, datagram) => {
        const account = accountOf(from);
        if (account) account.received += datagram.length;
      },
      noteTaken: (from, datagram) => {
        if (this.#isPrompt) this.#expectMessages(this.stationAt(from), incarnation, datagram);
      },
    };
  }

  // Promise 7

  #spend(account: Account, { station, boot }: Incarnation, bytes: number): void {
    account.sent += bytes;
    this.checks.strangers++;
    if (account.sent > account.received)
      throw new BrokenPromise(
        `Boot ${boot} of station ${station} sent ${account.sent} bytes to a stranger who sent ${account.received}.`,
      );
  }

  // Promise 8

  /**
   * An urgent message was handed over, on a channel with nothing else on it and in an open session:
   * nothing but what the link has already, and acks, may be in front of it.
   */
  expectCommand(sent: Sent, mtuBytes: number): void {
    const isRecognised =
      sent.bytes >= RECOGNISED_BYTES_MIN && sent.bytes <= mtuBytes - HEADS_BYTES_MAX;
    if (!this.#isOpen || !isRecognised || this.#commands.has(sent.from)) return;
    const payload = Buffer.from(payloadOf(sent.id, sent.bytes));
    this.#commands.set(sent.from, { sent, payload, ahead: 0, rivals: 0 });
  }

  /** Another urgent message is handed over: what waits may have to give it its turn, once for each datagram. */
  noteRival(sent: Sent, mtuBytes: number): void {
    const command = this.#commands.get(sent.from);
    if (command && command.sent !== sent)
      command.rivals += 1 + Math.ceil(sent.bytes / (mtuBytes - HEADS_BYTES_MAX));
  }

  noteEnd(sent: Sent): void {
    if (this.#commands.get(sent.from)?.sent === sent) this.#commands.delete(sent.from);
  }

  #noteAhead(incarnation: Incarnation, datagram: Uint8Array): void {
    const command = this.#commands.get(incarnation);
    if (!command) return;
    if (contains(datagram, command.payload)) {
      this.#commands.delete(incarnation);
      this.checks.commands++;
      return;
    }
    // One with acks or a question for each peer, and one more.
    if (++command.ahead > this.scenario.stations.length + command.rivals)
      throw new BrokenPromise(
        `${command.ahead} datagrams left before the urgent message ${command.sent.id}, sent at ${command.sent.atUs} µs.`,
      );
  }

  // Promise 3, no head-of-line blocking

  #expectMessages(from: number, receiver: Incarnation, datagram: Uint8Array): void {
    for (const sent of this.oracle.openMessages) {
      if (sent.to !== receiver.station || sent.from.station !== from) continue;
      const isRecognised =
        sent.kind === "message" &&
        (sent.way === "ordered" || sent.way === "unordered") &&
        sent.bytes >= RECOGNISED_BYTES_MIN &&
        sent.bytes <= datagram.length;
      if (!isRecognised || sent.deliveries.size > 0) continue;
      if (!contains(datagram, Buffer.from(payloadOf(sent.id, sent.bytes)))) continue;
      if (sent.way === "ordered" && this.#isBehind(sent)) continue;
      this.checks.prompt++;
      this.clock.setTimer(this.clock.nowUs() + PROMPT_US, () => {
        if (sent.deliveries.size > 0) return;
        const what = `Message ${sent.id} is at its receiver since ${this.clock.nowUs() - PROMPT_US} µs, with nothing before it on its channel, and is not delivered.`;
        this.fail(new BrokenPromise(what));
      });
    }
  }

  #isBehind(sent: Sent): boolean {
    for (const other of this.oracle.openMessages) {
      const isSameChannel =
        other.id < sent.id &&
        other.from === sent.from &&
        other.to === sent.to &&
        other.way === sent.way &&
        other.channel === sent.channel;
      if (isSameChannel && other.deliveries.size === 0) return true;
    }
    return false;
  }
}

function contains(datagram: Uint8Array, payload: Buffer): boolean {
  return Buffer.from(datagram.buffer, datagram.byteOffset, datagram.length).includes(payload);
}
