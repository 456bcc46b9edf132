import {
  BridgeCore,
  type BridgeCoreOptions,
  type RadioOrder,
  type RadioResult,
} from "../../serial-bridge/src/bridge/bridge-core.js";
import { BoardBridgeCore, type BoardRadio } from "./board-bridge-core.js";
import { C } from "./bridge-program.js";
import { StepHost } from "./bridge-step-host.js";
import type { Step } from "./bridge-steps.js";
import type { CProgram } from "./support/c-program.js";

/*
 * The bridge in TypeScript and the bridge in C, to which the same happens. Both must say and do the same.
 */

/** What both can do: `BridgeCore`, and the bridge in C behind the same methods. */
type AnyCore = Pick<BridgeCore, keyof BridgeCore>;
/** A step as a call, the same for both. */
type Act = (core: AnyCore) => unknown;

/** What each said and did because of a step: two texts that must be equal. */
export interface Said {
  readonly script: string;
  readonly board: string;
}

/** Makes calls of steps. */
class Stage {
  nowUs = 0;
  /** What the radio was told. */
  readonly transmissions: number[] = [];
  readonly #host: StepHost;

  constructor(options: BridgeCoreOptions) {
    this.#host = new StepHost(options);
  }

  actOf(step: Exclude<Step, { does: "pass" | "read" }>): Act {
    switch (step.does) {
      case "host": {
        const bytes = this.#host.bytesOf(step.frames, step.faults, step.isPause);
        return (core) => core.handleBytes(bytes, this.nowUs);
      }
      case "noise":
        return (core) => core.handleBytes(step.bytes, this.nowUs);
      case "outcome": {
        const transmission = this.transmissions.at(-1 - step.back) ?? 0;
        return (core) => core.handleTransmitted(transmission, step.result);
      }
      case "hear": {
        const from = this.#host.address(step.from);
        const datagram = new Uint8Array(step.length).fill(step.from);
        return (core) => core.handleReceived(from, step.rssiDbm, datagram);
      }
      case "log":
        return (core) => core.log(step.level, step.text);
      case "channel-set":
        return (core) => core.handleChannelSet(step.result);
      case "channel-changed":
        return (core) => core.handleChannelChanged(step.channel);
    }
  }
}

/** Call by call: whatever one is asked, the other is asked, too. */
export class Twins {
  readonly #script: BridgeCore;
  readonly #board: BoardBridgeCore;
  readonly #stage: Stage;

  constructor(program: CProgram, options: BridgeCoreOptions) {
    this.#script = new BridgeCore(options, 0);
    this.#board = new BoardBridgeCore(program, options, 0);
    this.#stage = new Stage(options);
  }

  take(step: Step): Said {
    const act = this.#actOf(step);
    const script = this.#report(this.#script, act, this.#stage.transmissions);
    const board = this.#report(this.#board, act, []);
    return { script, board };
  }

  #actOf(step: Step): Act {
    const { nowUs } = this.#stage;
    if (step.does === "read") return (core) => readFrames(core, step.frames, step.isPause, nowUs);
    if (step.does !== "pass") return this.#stage.actOf(step);
    const untilUs = nowUs + step.us;
    this.#stage.nowUs = untilUs;
    return (core) => {
      while (step.isTimely && core.timeoutUs < untilUs) core.handleTimeout(core.timeoutUs);
      core.handleTimeout(untilUs);
    };
  }

  #report(core: AnyCore, act: Act, transmissions: number[]): string {
    const { nowUs } = this.#stage;
    const said = act(core);
    const channel = core.pollChannel();
    const orders = [];
    for (let order = core.pollTransmit(nowUs); order; order = core.pollTransmit(nowUs)) {
      orders.push(order);
      transmissions.push(order.transmission);
    }
    const { isInSession, timeoutUs } = core;
    const counts = core.countsAt(nowUs);
    return textOf({ said, channel, orders, isInSession, timeoutUs: `${timeoutUs}`, counts });
  }
}

/** @param isPause - whether there is a pause before the first */
function readFrames(core: AnyCore, count: number, isPause: boolean, nowUs: number): Uint8Array[] {
  const frames: Uint8Array[] = [];
  while (frames.length < count) {
    const frame = core.pollBytes(nowUs, isPause && frames.length === 0);
    if (!frame) break;
    frames.push(frame);
  }
  return frames;
}

/** How a radio answers at once, by the ticket of a datagram. */
const AT_ONCE: readonly (RadioResult | undefined)[] = [
  undefined,
  undefined,
  undefined,
  "not-taken",
  undefined,
  "acknowledged",
  undefined,
];

/**
 * As programs drive them: the board by the functions of bridge.h alone, with a radio that may answer at
 * once, and a port that takes some bytes at a time.
 */
export class ProgramTwins {
  readonly #script: BridgeCore;
  readonly #board: BoardBridgeCore;
  readonly #stage: Stage;
  readonly #delimiter: number;
  /** Of the frame of the bridge in TypeScript that the board is in the middle of. */
  #rest: Uint8Array = new Uint8Array(0);
  /** The port was given all there was. */
  #isDry = true;

  constructor(program: CProgram, options: BridgeCoreOptions) {
    this.#stage = new Stage(options);
    this.#delimiter = options.framing === "slip" ? 0xc0 : 0;
    this.#script = new BridgeCore(options, 0);
    const radio: BoardRadio = {
      transmit: ({ transmission }) => this.#transmit(transmission),
      putIn: () => 0,
      setChannel: (channel) => channel % 3,
    };
    this.#board = new BoardBridgeCore(program, options, 0, radio);
  }

  take(step: Step): Said {
    if (step.does === "read") return this.#read(step.frames > 9 ? 300 : 9 * step.frames);
    if (step.does === "pass") return this.#pass(step.us, step.isTimely);
    const act = this.#stage.actOf(step);
    act(this.#script);
    act(this.#board);
    return this.#poll();
  }

  #transmit(transmission: number): number {
    const result = AT_ONCE[transmission % AT_ONCE.length];
    if (result === "not-taken") return -1;
    if (result) this.#board.handleTransmitted(transmission, result);
    return 0;
  }

  #pass(durationUs: number, isTimely: boolean): Said {
    const stage = this.#stage;
    const untilUs = stage.nowUs + durationUs;
    while (isTimely && this.#script.timeoutUs < untilUs) {
      stage.nowUs = this.#script.timeoutUs;
      const { script, board } = this.#poll();
      if (script !== board) return { script, board };
    }
    stage.nowUs = untilUs;
    return this.#poll();
  }

  #poll(): Said {
    const { nowUs, transmissions } = this.#stage;
    const board = this.#board;
    const waitUs = board.poll(nowUs);
    const script = this.#script;
    script.handleTimeout(nowUs);
    const channel = script.pollChannel();
    const answer = channel === undefined ? C.channelLater : channel % 3;
    if (answer !== C.channelLater) {
      script.handleChannelSet(answer === C.channelSet ? "set" : "not-allowed");
    }
    const orders: RadioOrder[] = [];
    for (let order = script.pollTransmit(nowUs); order; order = script.pollTransmit(nowUs)) {
      orders.push(order);
      transmissions.push(order.transmission);
      const result = AT_ONCE[order.transmission % AT_ONCE.length];
      if (result) script.handleTransmitted(order.transmission, result);
    }
    const dueUs = Math.min(script.timeoutUs - nowUs, C.pollUsMax);
    return {
      script: textOf([dueUs, orders, script.isInSession, script.countsAt(nowUs)]),
      board: textOf([waitUs, board.takeOrders(), board.isInSession, board.countsAt(nowUs)]),
    };
  }

  /** So many bytes; whether that was all, and whether more waits. */
  #read(bytesMax: number): Said {
    const board = this.#board;
    const hadOutput = board.hasOutput;
    const bytes = board.pollSome(bytesMax, this.#stage.nowUs);
    const expected = Array.from(bytes, (byte, index) => this.#next(byte, index === 0));
    const saidMore = expected.includes(-1);
    const isAll = bytes.length < bytesMax;
    if (isAll) {
      // Whatever still waits on this side should have come.
      expected.push(...this.#rest);
      expected.push(...(this.#script.pollBytes(this.#stage.nowUs, false) ?? []));
    }
    if (this.#rest.length === 0) this.#isDry ||= !board.hasOutput;
    return {
      script: textOf([saidMore || Uint8Array.from(expected), bytesMax > 0 && bytes.length > 0]),
      board: textOf([bytes, bytesMax > 0 && hadOutput]),
    };
  }

  /** The byte that must stand where the board has put this one; -1: none. */
  #next(byte: number, isFirst: boolean): number {
    if (this.#rest.length === 0) {
      // After a pause a delimiter stands in front; where bytes are asked for anew, one may.
      const hasPause = this.#isDry || (isFirst && byte === this.#delimiter);
      this.#isDry = false;
      this.#rest = this.#script.pollBytes(this.#stage.nowUs, hasPause) ?? this.#rest;
    }
    const [first = -1] = this.#rest;
    this.#rest = this.#rest.subarray(1);
    return first;
  }
}

function textOf(value: unknown): string {
  return JSON.stringify(value, (_, part: unknown) =>
    part instanceof Uint8Array ? Buffer.from(part).toString("hex") : part,
  );
}
