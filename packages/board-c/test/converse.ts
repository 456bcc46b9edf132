import { type LossyLink, Medium, presets, Random, VirtualClock } from "@fardel/lossy-link";
import { BoardEndpoint, type BoardMessage } from "./board-endpoint.js";
import { C, KIND, type Piece, PRIORITY } from "./board-program.js";
import { boardRecorder } from "./conversation-board.js";
import {
  answerTo,
  BOARD_ADDRESS,
  type Conversation,
  type ConversationPlan,
  Datagrams,
  drawConversation,
  END_US,
  TYPESCRIPT_ADDRESS,
  type Utterance,
  wordsOf,
} from "./conversation-plan.js";
import { TypeScriptSide } from "./conversation-typescript.js";
import type { CProgram } from "./support/c-program.js";

/** After which a busy application goes on, microseconds. */
const BUSY_US = 30_000;
/** First channels of the ways on the wire; PROTOCOL.md, section 5.1. */
const FIRST_CHANNELS = { ordered: 0, unordered: 6, latest: 10, unacknowledged: C.loose } as const;
const REQUEST_CHANNEL = 14;

/** The conversation of a seed, between TypeScript and C over a simulated medium. */
export async function converse(seed: number, program: CProgram): Promise<Conversation> {
  const plan = drawConversation(seed);
  const clock = new VirtualClock();
  const { mtuBytes } = plan;
  const medium = new Medium({ ...presets.reference(), mtuBytes, ...plan.impairments, clock, seed });
  const datagrams = new Datagrams();
  const typescript = await typescriptSide(plan, medium, clock, datagrams);
  const board: string[] = [];
  const boardSide = new BoardSide(plan, medium, clock, program, board, datagrams);
  await boardSide.board.open();
  for (const utterance of plan.utterances) {
    const side = utterance.from === "typescript" ? typescript : boardSide;
    clock.setTimer(utterance.atUs, () => side.speak(utterance));
  }
  if (plan.closeAtUs > 0)
    clock.setTimer(plan.closeAtUs, () => boardSide.board.closePeer(TYPESCRIPT_ADDRESS));
  await clock.run({ untilUs: END_US });
  if (boardSide.board.fault) throw boardSide.board.fault;
  return {
    seed,
    datagrams: datagrams.all,
    typescript: typescript.words.join(" "),
    board: board.join(" "),
  };
}

async function typescriptSide(
  plan: ConversationPlan,
  medium: Medium,
  clock: VirtualClock,
  datagrams: Datagrams,
): Promise<TypeScriptSide> {
  const radio: LossyLink = medium.attach({ address: TYPESCRIPT_ADDRESS });
  const draws = new Random(plan.seed).stream("typescript");
  const side = new TypeScriptSide(
    plan,
    {
      nowUs: () => clock.nowUs(),
      setTimer: (atUs, run) => clock.setTimer(atUs, run),
      clearTimer: (handle) => clock.clearTimer(handle),
      random: () => draws.uint32(),
      send: (to, datagram, done) => radio.send(to, datagram, done),
      settle: () => clock.wakeWaiters(),
    },
    datagrams,
  );
  radio.open({ onDatagram: (_from, datagram) => side.hear(datagram) });
  await side.open();
  return side;
}

/** The side in C: its application answers requests at once, and is busy now and then. */
class BoardSide {
  readonly board: BoardEndpoint;
  #pieces = 0;

  constructor(
    readonly plan: ConversationPlan,
    medium: Medium,
    readonly clock: VirtualClock,
    program: CProgram,
    words: string[],
    datagrams: Datagrams,
  ) {
    const draws = new Random(plan.seed).stream("board");
    this.board = new BoardEndpoint({
      ...{ program, clock, link: medium.attach({ address: BOARD_ADDRESS }) },
      ...{ peers: 1, window: plan.windows.board, linkDepth: plan.linkDepth },
      random: () => draws.uint32(),
      application: {
        takes: (piece) => this.#take(piece),
        message: (message) => this.#receive(message),
      },
      record: boardRecorder(words, datagrams),
    });
  }

  speak({ id, kind, way, channel, priority, bytes, deadlineMs }: Utterance): void {
    const isRequest = kind === "request";
    this.board.send(TYPESCRIPT_ADDRESS, wordsOf(id, bytes), {
      channel: isRequest ? REQUEST_CHANNEL : FIRST_CHANNELS[way] + channel,
      kind: isRequest ? KIND.request : KIND.message,
      id,
      priority: PRIORITY[priority],
      deadlineUs: deadlineMs * 1000,
      isRead: id % 2 === 1,
    });
    this.clock.wakeWaiters();
  }

  #take({ channel }: Piece): "taken" | "busy" {
    const { busyEvery } = this.plan;
    const isBusy = busyEvery > 0 && channel < C.loose && ++this.#pieces % busyEvery === 0;
    if (!isBusy) return "taken";
    this.clock.setTimer(this.clock.nowUs() + BUSY_US, () => this.board.resume());
    return "busy";
  }

  #receive({ address, channel, kind, id, bytes }: BoardMessage): void {
    if (kind !== KIND.request) return;
    // From within the callback, as fardel.h allows.
    this.board.send(address, answerTo(bytes), { channel, kind: KIND.reply, id });
  }
}
