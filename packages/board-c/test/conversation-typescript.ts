import {
  type Clock,
  Endpoint,
  FardelError,
  type Link,
  type LinkHandlers,
  type SendOutcome,
  type TimerHandle,
} from "@fardel/core";
import {
  answerTo,
  BOARD_ADDRESS,
  type ConversationPlan,
  Datagrams,
  hashOf,
  readWord,
  TYPESCRIPT_ADDRESS,
  type Utterance,
  word,
  wordsOf,
} from "./conversation-plan.js";

const OUTCOMES: readonly SendOutcome[] = [
  "sent",
  "acknowledged",
  "not-acknowledged",
  "refused",
  "gone",
];

/** Where the endpoint in TypeScript gets its time, datagrams and numbers from. */
export interface Surroundings {
  nowUs(): number;
  setTimer(atUs: number, run: () => void): TimerHandle;
  clearTimer(handle: TimerHandle): void;
  random(): number;
  send(to: Uint8Array, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void;
  /** All that waits is to run before anything else happens. */
  settle(): void;
}

/**
 * The side in TypeScript, and its record. Words, each with the microseconds since the one before it:
 *
 * - told: `d` a datagram, by its place; `o` the outcome of a datagram, by their order; `t` a timer, by the
 *   order of setting; `s` it speaks; `r` a random number (no time)
 * - done: `x` it sends a datagram, `m` a message has arrived (way, channel, length, hash), `q` a request,
 *   `e` what it said has ended (number, hash of the code)
 */
export class TypeScriptSide {
  readonly words: string[] = [];
  readonly #link: RecordingLink;
  #endpoint: Endpoint | undefined;
  #atUs = 0;
  #timers = 0;

  constructor(
    readonly plan: ConversationPlan,
    readonly around: Surroundings,
    readonly datagrams: Datagrams,
  ) {
    this.#link = new RecordingLink(this);
  }

  async open(): Promise<void> {
    const { plan, around } = this;
    const clock: Clock = {
      nowUs: () => around.nowUs(),
      setTimer: (atUs, run) => {
        const order = this.#timers++;
        return around.setTimer(atUs, () => {
          this.note("t", order);
          run();
          around.settle();
        });
      },
      clearTimer: (handle) => around.clearTimer(handle),
      wakeWaiters: () => around.settle(),
    };
    const random = () => {
      const drawn = around.random();
      this.words.push(word("r", drawn));
      return drawn;
    };
    const endpoint = await Endpoint.open({
      ...{ link: this.#link, clock, random, linkDepth: plan.linkDepth },
      window: plan.windows.typescript,
    });
    this.#endpoint = endpoint;
    endpoint.onMessage(({ bytes, way, channel }) =>
      this.note("m", way.length, channel, bytes.length, hashOf(bytes)),
    );
    void this.#answer(endpoint);
  }

  /** A datagram has come. */
  hear(datagram: Uint8Array): void {
    this.note("d", this.datagrams.placeOf(datagram));
    this.#link.handlers?.onDatagram(BOARD_ADDRESS, datagram, {});
    this.around.settle();
  }

  /** A datagram that it has sent has left, or not. */
  tellOutcome(order: number, outcome: SendOutcome): void {
    this.note("o", order, OUTCOMES.indexOf(outcome));
    this.#link.done[order]?.(outcome);
    this.around.settle();
  }

  speak(utterance: Utterance): void {
    const { id, kind, way, channel, priority, deadlineMs } = utterance;
    this.note("s", id);
    const peer = this.#endpoint?.peer(BOARD_ADDRESS);
    const bytes = wordsOf(id, utterance.bytes);
    const options = { priority, ...(deadlineMs > 0 && { deadlineMs }) };
    const ended =
      kind === "request"
        ? peer?.request(bytes, options).then((reply) => `replied ${hashOf(reply)}`)
        : peer?.send(bytes, { ...options, way, channel }).then(({ outcome }) => outcome);
    ended?.then(
      (end) => this.note("e", id, hashOf(Buffer.from(end))),
      (error: unknown) => {
        if (!(error instanceof FardelError)) throw error;
        this.note("e", id, hashOf(Buffer.from(error.code)));
      },
    );
    this.around.settle();
  }

  note(letter: string, ...numbers: readonly number[]): void {
    const nowUs = this.around.nowUs();
    this.words.push(word(letter, nowUs - this.#atUs, ...numbers));
    this.#atUs = nowUs;
  }

  async #answer(endpoint: Endpoint): Promise<void> {
    for await (const request of endpoint.requests()) {
      this.note("q", request.bytes.length, hashOf(request.bytes));
      request.reply(answerTo(request.bytes)).catch(() => {});
      this.around.settle();
    }
  }
}

class RecordingLink implements Link {
  readonly outstandingMax = 8;
  readonly localAddress = TYPESCRIPT_ADDRESS;
  readonly mtuBytes: number;
  readonly done: ((outcome: SendOutcome) => void)[] = [];
  handlers: LinkHandlers | undefined;

  constructor(readonly side: TypeScriptSide) {
    this.mtuBytes = side.plan.mtuBytes;
  }

  open(handlers: LinkHandlers): void {
    this.handlers = handlers;
  }

  send(to: Uint8Array, datagram: Uint8Array, done: (outcome: SendOutcome) => void): void {
    const order = this.done.push(done) - 1;
    this.side.note("x", this.side.datagrams.placeOf(datagram));
    this.side.around.send(to, datagram, (outcome) => this.side.tellOutcome(order, outcome));
  }

  close(): void {}
}

/** Says again to the endpoint in TypeScript what it was told. @returns what it does now */
export async function replayTypeScript(
  plan: ConversationPlan,
  script: string,
  datagrams: readonly string[],
): Promise<string> {
  const words = script.split(" ").map(readWord);
  const draws = words.filter(({ letter }) => letter === "r").map(({ numbers }) => numbers[0] ?? 0);
  const timers: ((() => void) | undefined)[] = [];
  let nowUs = 0;
  const side = new TypeScriptSide(
    plan,
    {
      nowUs: () => nowUs,
      setTimer: (_atUs, run) => timers.push(run) - 1,
      clearTimer: (handle) => {
        if (typeof handle === "number") timers[handle] = undefined;
      },
      random: () => draws.shift() ?? 0,
      send: () => {},
      settle: () => {},
    },
    new Datagrams(datagrams),
  );
  await side.open();
  await settled();
  for (const { letter, numbers } of words) {
    if (letter === "r") continue;
    const [passedUs = 0, first = 0, second = 0] = numbers;
    nowUs += passedUs;
    if (letter === "d") side.hear(Buffer.from(datagrams[first] ?? "", "hex"));
    if (letter === "o") side.tellOutcome(first, OUTCOMES[second] ?? "gone");
    if (letter === "t") timers[first]?.();
    if (letter === "s") side.speak(plan.utterances.find(({ id }) => id === first) as Utterance);
    if ("dots".includes(letter)) await settled();
  }
  return side.words.join(" ");
}

function settled(): Promise<void> {
  return new Promise((resolve) => setImmediate(resolve));
}
