import { Endpoint } from "@fardel/core";
import { Medium, presets, Random, VirtualClock } from "@fardel/lossy-link";
import { afterAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { BoardEndpoint, type BoardMessage, type BoardOptions } from "./board-endpoint.js";
import { C, KIND, type Piece, TOLD } from "./board-program.js";
import type { CProgram } from "./support/c-program.js";
import { nativeProgram } from "./support/native-program.js";
import { wasmProgram } from "./support/wasm-program.js";

const GATEWAY = Uint8Array.of(2, 0, 0, 0, 0, 1);
const BOARD = Uint8Array.of(2, 0, 0, 0, 0, 2);
const STRANGER = Uint8Array.of(2, 0, 0, 0, 0, 9);
const SECOND = 1_000_000;

/** A gateway in TypeScript and a board in C on the reference channel. */
class Yard {
  readonly clock = new VirtualClock();
  readonly medium: Medium;
  readonly arrived: BoardMessage[] = [];
  readonly sessions: string[] = [];
  readonly board: BoardEndpoint;
  takes: (piece: Piece) => "taken" | "busy" | "unwanted" = () => "taken";
  reply: ((message: BoardMessage) => void) | undefined;
  gateway!: Endpoint;

  constructor(program: CProgram, config: Partial<BoardOptions> = {}, loss = 0) {
    const { clock } = this;
    this.medium = new Medium({ ...presets.reference(), clock, seed: 1, loss });
    const draws = new Random(2).stream("board");
    this.board = new BoardEndpoint({
      ...{ program, clock, link: this.medium.attach({ address: BOARD }) },
      random: () => draws.uint32(),
      application: {
        takes: (piece) => this.takes(piece),
        message: (message) => {
          this.arrived.push(message);
          this.reply?.(message);
        },
        session: (_address, what, reason) => this.sessions.push(`${what} ${reason}`),
      },
      ...config,
    });
  }

  async open(): Promise<this> {
    const draws = new Random(3).stream("gateway");
    const link = this.medium.attach({ address: GATEWAY });
    this.gateway = await Endpoint.open({ link, clock: this.clock, random: () => draws.uint32() });
    await this.board.open();
    return this;
  }

  /** Lets time pass until a promise has settled. */
  async result<T>(promise: Promise<T>, seconds = 60): Promise<T> {
    let isDone = false;
    const mark = () => {
      isDone = true;
    };
    promise.then(mark, mark);
    const untilUs = this.clock.nowUs() + seconds * SECOND;
    await this.clock.run({ untilUs, until: () => isDone });
    expect(isDone).toBe(true);
    expect(this.board.fault).toBeUndefined();
    return promise;
  }

  async pass(seconds: number): Promise<void> {
    await this.clock.run({ untilUs: this.clock.nowUs() + seconds * SECOND });
  }
}

/** Invented readings. */
function readings(bytes: number): Uint8Array {
  return Uint8Array.from({ length: bytes }, (_, index) => (index * 37 + (index >> 8)) & 255);
}

const BACKENDS: readonly (readonly [string, boolean, () => CProgram])[] = [
  ["as WebAssembly", lacksCommands("clang", "wasm-ld"), () => wasmProgram("endpoint")],
  ["with sanitizers", lacksCommands("gcc"), () => nativeProgram("endpoint", "sanitized")],
  [
    "on a big-endian processor",
    lacksCommands("powerpc-linux-gnu-gcc", "qemu-ppc"),
    () => nativeProgram("endpoint", "big-endian"),
  ],
];

for (const [name, isLeftOut, open] of BACKENDS) {
  describe.skipIf(isLeftOut)(`a board in C, ${name}`, () => {
    let opened: CProgram | undefined;
    const program = () => {
      opened ??= open();
      return opened;
    };
    afterAll(() => opened?.close());

    it.each([0, 0.3])("takes and sends messages of any size at a loss of %f", async (loss) => {
      const yard = await new Yard(program(), {}, loss).open();
      const received: Uint8Array[] = [];
      yard.gateway.onMessage(({ bytes }) => received.push(bytes));
      for (const bytes of [0, 1, 241, 242, 243, 12_000].map(readings)) {
        const receipt = await yard.result(yard.gateway.peer(BOARD).send(bytes));
        expect(receipt.outcome).toBe("delivered");
        expect(yard.arrived.at(-1)?.bytes).toEqual(bytes);
        for (const isRead of [true, false]) {
          const { ended } = yard.board.send(GATEWAY, bytes, { isRead });
          expect(await yard.result(ended)).toBe(C.delivered);
          expect(received.at(-1)).toEqual(bytes);
        }
      }
      expect(yard.sessions).toEqual([`opened ${C.ok}`]);
      expect(yard.board.held).toBe(0);
    });

    it("replies to a request from within the callback, and asks itself", async () => {
      const yard = await new Yard(program()).open();
      yard.reply = ({ address, channel, kind, id, bytes }) => {
        if (kind === KIND.request)
          yard.board.send(
            address,
            bytes.map((byte) => 255 - byte),
            { channel, kind: KIND.reply, id },
          );
      };
      const reply = await yard.result(yard.gateway.peer(BOARD).request(Uint8Array.of(1, 2)));
      expect(reply).toEqual(Uint8Array.of(254, 253));
      void (async () => {
        for await (const request of yard.gateway.requests()) void request.reply(readings(500));
      })();
      yard.board.send(GATEWAY, Uint8Array.of(9), { channel: 14, kind: KIND.request, id: 77 });
      await yard.pass(1);
      expect(yard.arrived.at(-1)).toMatchObject({ kind: KIND.reply, id: 77, bytes: readings(500) });
    });

    it("lets the sender wait while it is busy, and loses nothing", async () => {
      const yard = await new Yard(program()).open();
      yard.takes = () => "busy";
      const sent = yard.gateway.peer(BOARD).send(readings(3000));
      await yard.pass(100);
      expect(yard.arrived).toEqual([]);
      yard.takes = () => "taken";
      yard.board.resume();
      expect((await yard.result(sent)).outcome).toBe("delivered");
      expect(yard.arrived.map(({ bytes }) => bytes)).toEqual([readings(3000)]);
    });

    it("refuses what it does not want, and what is too large", async () => {
      const yard = await new Yard(program(), { messageBytesMax: 1000 }).open();
      yard.takes = ({ total }) => (total === 300 ? "unwanted" : "taken");
      const peer = yard.gateway.peer(BOARD);
      await expect(yard.result(peer.send(readings(300)))).rejects.toThrow(/refused|take/);
      await expect(yard.result(peer.send(readings(1001)))).rejects.toThrow(/refused|take/);
      expect((await yard.result(peer.send(readings(1000)))).outcome).toBe("delivered");
      expect(yard.arrived.map(({ bytes }) => bytes.length)).toEqual([1000]);
      expect(yard.board.held).toBe(0);
    });

    it("ends messages by deadline, by hand, by a newer value, and when nobody is there", async () => {
      const yard = await new Yard(program()).open();
      const { board } = yard;
      const late = board.send(STRANGER, readings(9), { deadlineUs: SECOND });
      const cancelled = board.send(STRANGER, readings(9));
      const old = board.send(STRANGER, readings(9), { channel: 10 });
      const newer = board.send(STRANGER, readings(8), { channel: 10 });
      const loose = board.send(GATEWAY, readings(600), { channel: C.loose + 1 });
      cancelled.cancel();
      expect(await yard.result(cancelled.ended)).toBe(C.cancelled);
      expect(await yard.result(old.ended)).toBe(C.replaced);
      expect(await yard.result(loose.ended)).toBe(C.sent);
      expect(await yard.result(late.ended)).toBe(C.deadline);
      expect(yard.clock.nowUs()).toBe(SECOND);
      expect(await yard.result(newer.ended)).toBe(C.unreachable);
    });

    it("waits while its link is down", async () => {
      const yard = await new Yard(program()).open();
      const first = yard.board.send(GATEWAY, readings(5));
      expect(await yard.result(first.ended)).toBe(C.delivered);
      yard.board.setLink(false);
      const sent = yard.board.send(GATEWAY, readings(600));
      await yard.pass(100);
      yard.board.setLink(true);
      expect(await yard.result(sent.ended)).toBe(C.delivered);
    });

    it("closes a session and opens another", async () => {
      const yard = await new Yard(program()).open();
      expect(await yard.result(yard.board.send(GATEWAY, readings(5)).ended)).toBe(C.delivered);
      const cut = yard.board.send(GATEWAY, readings(5000));
      await yard.pass(0.005);
      yard.board.closePeer(GATEWAY);
      expect(await yard.result(cut.ended)).toBe(C.cancelled);
      await yard.pass(1);
      expect(await yard.result(yard.board.send(GATEWAY, readings(6)).ended)).toBe(C.delivered);
      yard.gateway.peer(BOARD).close();
      await yard.pass(1);
      expect(yard.sessions).toEqual([
        ...["opened 0", `ended ${C.cancelled}`, "opened 0", `ended ${C.peerClosed}`],
      ]);
    });

    it("refuses configs that are not possible, and needs as much memory as the macro says", () => {
      const bytes = (...config: number[]) => program().call(() => 0, "endpoint_bytes", config);
      for (const bad of [
        [19, 1, 8, 7, 2],
        [1501, 1, 8, 7, 2],
        [250, 0, 8, 7, 2],
        [250, 255, 8, 7, 2],
        [250, 1, 0, 7, 2],
        [250, 1, 33, 7, 2],
        [250, 1, 8, 255, 2],
        [250, 1, 8, 7, 0],
        [250, 1, 8, 7, 5],
      ])
        expect(bytes(...bad), String(bad)).toBe(0);
      expect(bytes(250, 1, 8, 7, 2)).toBeGreaterThan(1000);
      for (const good of [
        [20, 1, 0],
        [250, 1, 7],
        [1500, 254, 254],
      ])
        expect(program().call(() => 0, "endpoint_bytes_differ", good)).toBe(0);
    });

    it("says each result in a sentence", () => {
      const texts = new Set<string>();
      for (let result = C.unreadable; result <= C.replaced; result++) {
        let text = "";
        const tell = (what: number, _value: number, bytes: Uint8Array) => {
          if (what === TOLD.text) text = Buffer.from(bytes).toString();
          return 0;
        };
        program().call(tell, "endpoint_text", [result]);
        expect(text).toMatch(/^[A-Z].*[.?]$/);
        texts.add(text);
      }
      expect(texts.size).toBe(C.replaced - C.unreadable + 1);
    });
  });
}
