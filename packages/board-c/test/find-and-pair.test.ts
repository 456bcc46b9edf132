import type { Link, LinkHandlers } from "@fardel/core";
import { Endpoint } from "@fardel/core";
import { type LossyLink, Medium, presets, Random, VirtualClock } from "@fardel/lossy-link";
import { discover, type Found, KeyRing, type Paired, type PairingWay, pair } from "@fardel/pairing";
import { describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { isProtected } from "../../core/src/wire/head.js";
import { BoardEndpoint } from "./board-endpoint.js";
import { BoardPairing, TAKES, WAY } from "./board-pairing.js";
import { C } from "./board-program.js";
import { CLAIM } from "./pairing-pair.js";
import { wasmProgram } from "./support/wasm-program.js";

const S = 1_000_000;
const GATEWAY = Uint8Array.of(2, 0, 0, 0, 0, 1);
const addressOf = (board: number) => Uint8Array.of(2, 0, 0, 0, 1, board);
const WAYS: readonly PairingWay[] = ["cable", "code", "compare", "renew"];

/** A board with both libraries on one radio, as the README shows it. */
class Board {
  readonly pairing: BoardPairing;
  readonly got: string[] = [];
  #endpoint: BoardEndpoint | undefined;
  /** What its radio hears and says while a session could be under way. */
  readonly said: Uint8Array[] = [];

  constructor(
    readonly address: Uint8Array,
    readonly radio: LossyLink,
    readonly clock: VirtualClock,
    readonly random: Random,
    name: string,
  ) {
    this.pairing = new BoardPairing({
      ...{ program: wasmProgram("pairing"), clock, address, claim: CLAIM, isCable: true, name },
      random: () => random.uint32(),
      everybody: radio.broadcastAddress!,
      takes: TAKES.plain + TAKES.protected,
      onKeep: (from) => this.#endpoint?.changeKeys(from),
      show: () => {
        clock.setTimer(clock.nowUs() + S, () => this.pairing.accept(true));
      },
      transmit: (to, datagram) => {
        radio.send(to, datagram, () => {});
        return true;
      },
    });
  }

  async open(): Promise<void> {
    const { radio, pairing } = this;
    const link: Link = {
      ...{ mtuBytes: radio.mtuBytes, outstandingMax: 2, close: () => {} },
      open: (handlers: LinkHandlers) =>
        radio.open({
          onDatagram: (from, datagram, info) => {
            if (!pairing.handleDatagram(from, datagram)) handlers.onDatagram(from, datagram, info);
          },
        }),
      send: (to, datagram, done) => {
        this.said.push(datagram.slice());
        radio.send(to, datagram, done);
      },
    };
    const { clock, random } = this;
    this.#endpoint = new BoardEndpoint({
      ...{ program: wasmProgram("endpoint", ["FARDEL_PROTECTED"]), link, clock, peers: 1 },
      random: () => random.uint32(),
      application: { message: ({ bytes }) => this.got.push(new TextDecoder().decode(bytes)) },
      keys: {
        keysFor: (address) => {
          const keys = pairing.keysOf(address);
          if (keys === "revoked") return keys;
          return keys.map((hex) => ({ secret: Uint8Array.from(Buffer.from(hex, "hex")), side: 1 }));
        },
        noteRight: (address, secret) => pairing.noteRight(address, secret),
      },
    });
    await this.#endpoint.open();
  }

  get endpoint(): BoardEndpoint {
    return this.#endpoint!;
  }
}

async function orchard(count: number, loss: number, seed: number) {
  const clock = new VirtualClock();
  const medium = new Medium({ ...presets.contention(), loss, clock, seed });
  const random = new Random(seed);
  const ring = new KeyRing();
  const gateway = await Endpoint.open({
    ...{ link: medium.attach({ address: GATEWAY }), clock, protection: ring },
    random: () => random.uint32(),
  });
  const boards = Array.from({ length: count }, (_, at) => {
    const address = addressOf(at);
    return new Board(address, medium.attach({ address }), clock, random, `row ${at}`);
  });
  for (const board of boards) await board.open();
  const bytes = (length: number) => Uint8Array.from({ length }, () => random.uint32() & 255);
  const pairBy = (board: Board, way: PairingWay) =>
    settled(
      clock,
      pair(gateway, board.address, {
        ...{ way, ring, name: "gateway", claim: CLAIM, clock, random: bytes },
        confirm: async () => true,
      }),
    );
  return { clock, medium, random, ring, gateway, boards, pairBy };
}

/** Lets time pass until a promise is settled. */
async function settled<T>(clock: VirtualClock, promise: Promise<T>): Promise<T> {
  let isOver = false;
  const end = () => {
    isOver = true;
    clock.wakeWaiters();
  };
  promise.then(end, end);
  await clock.run({ until: () => isOver, untilUs: clock.nowUs() + 200 * S });
  if (!isOver) throw new Error("It has not ended.");
  return promise;
}

describe.skipIf(lacksCommands("clang", "wasm-ld"))("boards in C with both libraries", () => {
  it.each([0, 0.2])("are all found by a gateway, at a loss of %d", async (loss) => {
    const { clock, random, gateway } = await orchard(20, loss, 5);
    await clock.run({ untilUs: 2 * S });
    const found: Found[] = await settled(
      clock,
      discover(gateway, { clock, random: () => random.uint32() }).all(),
    );
    const names = found.map(({ name }) => name).sort();
    expect(names).toEqual(Array.from({ length: 20 }, (_, at) => `row ${at}`).sort());
    const [{ announcement, kind }] = found as [Found];
    expect(kind).toBe("row-station");
    expect(announcement).toMatchObject({
      ...{ version: 1, mtuBytes: 250, window: 8, isInPairingMode: false, ways: ["renew"] },
      ...{ takesPlainSessions: true, takesProtectedSessions: true },
    });
  });

  it("in pairing mode are found by that", async () => {
    const { clock, random, gateway, boards } = await orchard(4, 0.1, 6);
    boards[2]!.pairing.start(WAY.code + WAY.compare);
    const found = await settled(
      clock,
      discover(gateway, { pairingOnly: true, clock, random: () => random.uint32() }).all(),
    );
    expect(found.map(({ name }) => name)).toEqual(["row 2"]);
    expect(found[0]!.announcement.ways).toEqual(["code", "compare", "renew"]);
  });

  it("end the session in plain when they are paired, and messages go on in the next one", async () => {
    const { clock, gateway, boards, pairBy } = await orchard(1, 0.1, 9);
    const [board] = boards as [Board];
    const send = (text: string) =>
      settled(clock, gateway.peer(board.address).send(new TextEncoder().encode(text)));
    await send("fan on");
    expect(board.said.some(isProtected)).toBe(false);
    board.pairing.start(WAY.compare);
    await pairBy(board, "compare");
    const before = board.said.length;
    const sending = board.endpoint.send(GATEWAY, new TextEncoder().encode("frost"));
    expect(await settled(clock, sending.ended)).toBe(C.delivered);
    await send("fan off");
    expect(board.got).toEqual(["fan on", "fan off"]);
    expect(board.said.slice(before).every(isProtected)).toBe(true);
  });

  it.each(WAYS)("are paired by %s under loss, and speak in protected sessions", async (way) => {
    let confirmed = 0;
    for (let seed = 1; seed <= 8; seed++) {
      const { clock, gateway, boards, ring, pairBy } = await orchard(1, 0.3, seed);
      const [board] = boards as [Board];
      if (way === "renew") {
        board.pairing.start(WAY.cable);
        await pairBy(board, "cable");
      } else board.pairing.start(WAY[way]);
      const { key, name, isConfirmed }: Paired = await pairBy(board, way);
      confirmed += isConfirmed ? 1 : 0;
      expect(name).toBe("row 0");
      const before = board.said.length;
      const { outcome } = await settled(
        clock,
        gateway.peer(board.address).send(new TextEncoder().encode("fan on")),
      );
      expect(outcome).toBe("delivered");
      const sending = board.endpoint.send(GATEWAY, new TextEncoder().encode("frost"));
      expect(await settled(clock, sending.ended)).toBe(C.delivered);
      expect(board.got).toEqual(["fan on"]);
      expect(board.said.slice(before).every(isProtected)).toBe(true);
      // After the first right datagram both have this key alone, whether DONE came or not.
      expect(board.pairing.keysOf(GATEWAY)).toEqual([
        Buffer.from(key.exportSecret()).toString("hex"),
      ]);
      expect(ring.record(board.address)?.keys.length).toBe(1);
    }
    expect(confirmed).toBeGreaterThan(5);
  });
});
