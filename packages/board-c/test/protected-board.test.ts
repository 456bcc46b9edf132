import type { SessionName } from "@fardel/core";
import fc from "fast-check";
import { afterAll, describe, expect, it } from "vitest";
import { OpenSslPairKey } from "../../../test/openssl-pair-key.js";
import { lacksCommands } from "../../../test/system-commands.js";
import {
  ByteWriter,
  encodeFrame,
  encodeLongHead,
  type Frame,
  sealDatagram,
} from "../../core/src/wire/index.js";
import { C } from "./board-program.js";
import { data, hello } from "./hand-peer.js";
import {
  BOARD,
  GATEWAY,
  ProtectedPair,
  type ProtectedPairOptions,
  secretOf,
} from "./protected-pair.js";
import { MBEDTLS } from "./support/build.js";
import type { CProgram } from "./support/c-program.js";
import { lacksCipherLibrary } from "./support/cipher-library.js";
import { nativeProgram } from "./support/native-program.js";
import { wasmProgram } from "./support/wasm-program.js";

const MS = 1000;
const S = 1_000_000;
const NO_SALT = new Uint8Array(12);
const TAG_BYTES = 8;
const marker = new TextEncoder().encode("frost below two degrees");
const blob = (bytes: number) => Uint8Array.from({ length: bytes }, (_, at) => (at * 31) & 0xff);
const isProtected = (datagram: Uint8Array) => (datagram[0]! & 8) !== 0;

/** A long datagram as the gateway would write it, in plain. */
function plainLong(tokenFrom: number, tokenTo: number, number: number, ...frames: Frame[]) {
  const out = new ByteWriter(new Uint8Array(250));
  encodeLongHead(out, 1, tokenFrom, tokenTo, number);
  for (const [at, frame] of frames.entries()) encodeFrame(out, frame, at === frames.length - 1);
  return sealDatagram(out, tokenTo, tokenFrom, number).slice();
}

/** An opening under the key of a seed, with whatever its sender puts in. */
function protectedOpening(seed: number, token: number, number: number, ...frames: Frame[]) {
  return protectedLong(seed, token, { token: 0, salt: NO_SALT }, number, ...frames);
}

/** A long datagram under the key of a seed, as the gateway would write it. */
function protectedLong(
  seed: number,
  token: number,
  to: SessionName,
  number: number,
  ...frames: Frame[]
) {
  const from = { token, salt: new Uint8Array(12).fill(5) };
  const out = new ByteWriter(new Uint8Array(250));
  encodeLongHead(out, 1, token, to.token, number, from.salt);
  const headBytes = out.at;
  for (const [at, frame] of frames.entries()) encodeFrame(out, frame, at === frames.length - 1);
  const key = new OpenSslPairKey(secretOf(seed), 0);
  const nonce = new Uint8Array(13);
  const view = new DataView(nonce.buffer);
  view.setUint32(0, number);
  view.setUint32(4, to.token);
  key.directionKey(true, from, to).seal(out.bytes, headBytes, out.at, nonce);
  return out.bytes.slice(0, out.at + TAG_BYTES);
}

const tokensOf = (opening: Uint8Array) => {
  const view = new DataView(opening.buffer, opening.byteOffset);
  return { from: view.getUint32(1), to: view.getUint32(5), number: view.getUint32(9) };
};
/** The last long datagram of the board: both tokens. */
const boardTokens = (pair: ProtectedPair) => {
  const long = pair.saidBy(true).filter((datagram) => (datagram[0]! & 0x10) !== 0);
  return tokensOf(long.at(-1)!);
};

const BACKENDS: readonly (readonly [string, boolean, () => CProgram])[] = [
  [
    "as WebAssembly",
    lacksCommands("clang", "wasm-ld"),
    () => wasmProgram("endpoint", ["FARDEL_PROTECTED"]),
  ],
  [
    "with sanitizers and the ciphers of the example",
    lacksCommands("gcc") || lacksCipherLibrary(),
    () => nativeProgram("endpoint", "sanitized", ["FARDEL_PROTECTED", MBEDTLS]),
  ],
];

for (const [name, isLeftOut, open] of BACKENDS) {
  describe.skipIf(isLeftOut)(`protected sessions of a board in C, ${name}`, () => {
    let opened: CProgram | undefined;
    afterAll(() => opened?.close());

    const meet = (options: Omit<ProtectedPairOptions, "program"> = {}) => {
      opened ??= open();
      return new ProtectedPair({ program: opened, ...options }).open();
    };
    const send = async (pair: ProtectedPair, bytes: Uint8Array, us = 5 * S) => {
      let outcome: unknown;
      pair.gateway
        .peer(BOARD)
        .send(bytes)
        .then(
          (receipt) => {
            outcome = receipt.outcome;
          },
          (error: unknown) => {
            outcome = error;
          },
        );
      await pair.run(us);
      return outcome;
    };

    /** ... and the board has got a message already. */
    const met = async (options: Omit<ProtectedPairOptions, "program"> = {}) => {
      const pair = await meet(options);
      expect(await send(pair, marker, S)).toBe("delivered");
      return pair;
    };

    it("carry messages both ways, and nobody in between reads them", async () => {
      const pair = await meet();
      expect(await send(pair, marker)).toBe("delivered");
      const { ended } = pair.board.send(GATEWAY, marker);
      await pair.run(5 * S);
      expect(await ended).toBe(C.delivered);
      expect(pair.boardGot.map(({ bytes }) => bytes)).toEqual([marker]);
      expect(pair.gatewayGot).toEqual([marker]);
      for (const { datagram } of pair.air) {
        expect(isProtected(datagram)).toBe(true);
        expect(Buffer.from(datagram).includes(Buffer.from(marker.subarray(0, 6)))).toBe(false);
      }
    });

    it("need four datagrams for a first command, whoever sends it", async () => {
      const pair = await meet();
      const sending = pair.board.send(GATEWAY, blob(32));
      await pair.run(500 * MS);
      expect(await sending.ended).toBe(C.delivered);
      expect(pair.air.length).toBe(4);
      expect(pair.air[0]!.datagram.length).toBe(48);
    });

    it("spend 14 bytes of a full datagram on themselves", async () => {
      const pair = await meet();
      const whole = blob(236 * 20);
      const sending = pair.board.send(GATEWAY, whole);
      await pair.run(20 * S);
      expect(await sending.ended).toBe(C.delivered);
      const full = pair.saidBy(true).filter(({ length }) => length === 250);
      expect(full.length).toBeGreaterThan(15);
      // The first fragment says how long the message is, the last one has its CRC.
      expect(full.length).toBeLessThanOrEqual(21);
    });

    it.each([48, 49, 64, 250])("work with an MTU of %i bytes, under loss", async (mtuBytes) => {
      const pair = await meet({ mtuBoard: mtuBytes, mtuGateway: 48 + (mtuBytes % 7) });
      pair.isLost = ({ index }) => index % 4 === 1;
      const there = pair.board.send(GATEWAY, blob(2000));
      const back = pair.gateway.peer(BOARD).send(blob(1000));
      await pair.run(120 * S);
      expect([await there.ended, (await back).outcome]).toEqual([C.delivered, "delivered"]);
      for (const datagram of pair.saidBy(true)) {
        expect(datagram.length).toBeLessThanOrEqual(Math.min(mtuBytes, 250));
        expect(isProtected(datagram)).toBe(true);
      }
    });

    it("do not open on a link of less than 48 bytes", () => {
      opened ??= open();
      expect(opened.call(() => 0, "endpoint_is_possible", [47])).toBe(0);
      expect(opened.call(() => 0, "endpoint_is_possible", [48])).toBe(1);
    });

    it("give as much memory by the macro as by the function", () => {
      opened ??= open();
      for (const [mtu, peers, buffers] of [
        [48, 1, 0],
        [250, 1, 7],
        [250, 4, 31],
        [1500, 254, 254],
      ] as const)
        expect(opened.call(() => 0, "endpoint_bytes_differ", [mtu, peers, buffers])).toBe(0);
    });

    describe("an attacker", () => {
      it("who repeats all that was ever said makes nothing arrive twice, also after a restart", async () => {
        const pair = await meet();
        for (let i = 0; i < 5; i++) expect(await send(pair, Uint8Array.of(i))).toBe("delivered");
        const said = pair.saidBy(false);
        for (let round = 0; round < 2; round++) {
          for (const datagram of said) {
            pair.sayToBoard(datagram);
            await pair.run(10 * MS);
          }
          expect(pair.boardGot.length).toBe(5);
          // The board has restarted, and remembers nothing but its key.
          await pair.bootBoard();
        }
        expect(await send(pair, Uint8Array.of(9), 60 * S)).toBe("delivered");
        expect(pair.boardGot.map(({ bytes }) => bytes[0])).toEqual([0, 1, 2, 3, 4, 9]);
      });

      it("who repeats an opening does not end the session that there is", async () => {
        const pair = await met();
        await pair.run(S);
        pair.gateway.peer(BOARD).close();
        await pair.run(S);
        expect(await send(pair, Uint8Array.of(7))).toBe("delivered");
        const sessions = pair.boardSessions.length;
        for (const datagram of pair.saidBy(false).filter((each) => (each[0]! & 0x10) !== 0)) {
          pair.sayToBoard(datagram);
          await pair.run(S);
        }
        expect(pair.boardSessions.length).toBe(sessions);
        expect(await send(pair, Uint8Array.of(8))).toBe("delivered");
        expect(pair.boardSessions.length).toBe(sessions);
      });

      it("who sends everything back to its sender changes nothing", async () => {
        const pair = await meet();
        expect(await send(pair, blob(3000))).toBe("delivered");
        const sending = pair.board.send(GATEWAY, blob(300));
        await pair.run(5 * S);
        expect(await sending.ended).toBe(C.delivered);
        const [got, sessions] = [pair.boardGot.length, [...pair.boardSessions]];
        const before = pair.air.length;
        for (const datagram of pair.saidBy(true)) pair.sayToBoard(datagram);
        await pair.run(5 * S);
        expect([pair.boardGot.length, pair.boardSessions]).toEqual([got, sessions]);
        // Its long ones are to a token that is the gateway's: refused, as nobody's session here.
        for (const { datagram } of pair.air.slice(before)) expect(datagram.length).toBe(34);
      });

      it("who changes any bit of a datagram makes it void", async () => {
        const pair = await meet();
        pair.isLost = ({ isFromBoard, index }) => !isFromBoard && index > 0;
        await send(pair, marker, 200 * MS);
        const [opening, message] = pair.saidBy(false);
        const heard = pair.air.length;
        for (const datagram of [opening!, message!])
          for (let bit = 0; bit < datagram.length * 8; bit += 3) {
            const changed = datagram.slice();
            changed[bit >> 3]! ^= 1 << (bit & 7);
            pair.sayToBoard(changed);
          }
        expect(pair.boardGot).toEqual([]);
        pair.sayToBoard(message!);
        expect(pair.boardGot.map(({ bytes }) => bytes)).toEqual([marker]);
        expect(pair.air.length).toBeGreaterThanOrEqual(heard);
      });

      it("who speaks in plain is not heard, and not answered: no downgrade", async () => {
        const pair = await meet();
        expect(await send(pair, marker)).toBe("delivered");
        const { from: board, to: gateway, number } = boardTokens(pair);
        const before = pair.air.length;
        const frames = [hello(8), data({ fragment: 1, first: true, last: true, bytes: blob(3) })];
        for (const datagram of [
          plainLong(1234, 0, 0, ...frames),
          plainLong(gateway, 0, 0, ...frames),
          plainLong(gateway, board, 5000, ...frames),
          plainLong(1234, 77, 5000, ...frames),
          plainLong(0, board, number, { type: "no-session" }),
        ]) {
          pair.sayToBoard(datagram);
          await pair.run(S);
        }
        expect(pair.boardGot.length).toBe(1);
        expect(pair.boardSessions).toEqual([`opened ${C.ok}`]);
        expect(pair.air.length).toBe(before);
        expect(await send(pair, marker)).toBe("delivered");
        expect(pair.boardSessions.length).toBe(1);
      });

      it("who repeats an opening delivers nothing by it, even if its sender had put a message in", async () => {
        const pair = await meet();
        const bytes = blob(3);
        const [token, number] = [0x0077_0001, 0x77];
        const message = data({ fragment: 1, first: true, last: true, bytes });
        pair.sayToBoard(protectedOpening(1, token, number, hello(8), message));
        await pair.run(10 * MS);
        // It is answered, and delivers nothing.
        expect(pair.saidBy(true).length).toBeGreaterThan(0);
        expect(tokensOf(pair.saidBy(true)[0]!).to).toBe(token);
        expect(pair.boardGot).toEqual([]);
      });

      it("without the key opens nothing, and is not answered", async () => {
        const pair = await meet({ gatewayKeys: [8] });
        pair.gateway
          .peer(BOARD)
          .send(marker, { deadlineMs: 10_000 })
          .catch(() => {});
        await pair.run(12 * S);
        expect(pair.saidBy(false).length).toBeGreaterThan(3);
        expect(pair.saidBy(true)).toEqual([]);
        expect(pair.boardGot).toEqual([]);
        expect(pair.right).toEqual([]);
      });

      it("cannot make the board say that it has lost a session which it has", async () => {
        const pair = await meet();
        expect(await send(pair, marker)).toBe("delivered");
        const { from: board, to: gateway, number } = boardTokens(pair);
        const forged = new Uint8Array(60);
        const view = new DataView(forged.buffer);
        forged[0] = 0x58;
        view.setUint32(1, gateway);
        view.setUint32(9, number);
        // To the token that it has it says nothing: that can be checked.
        view.setUint32(5, board);
        const before = pair.saidBy(true).length;
        pair.sayToBoard(forged);
        await pair.run(S);
        expect(pair.saidBy(true).length).toBe(before);
        // To another one its answer is right, and the gateway does not take it for its session's.
        view.setUint32(5, board ^ 1);
        pair.sayToBoard(forged);
        await pair.run(S);
        const answers = pair.saidBy(true).slice(before);
        expect(answers.map(({ length }) => length)).toEqual([34]);
        expect(pair.gateway.peer(BOARD).report()?.phase).toBe("open");
        // A shorter one is not answered: nobody gets more bytes than they sent.
        pair.sayToBoard(forged.slice(0, 33));
        await pair.run(S);
        expect(pair.saidBy(true).length).toBe(before + 1);
      });

      it("cannot end the board's session by what the gateway says of another token", async () => {
        const pair = await meet();
        expect(await send(pair, marker)).toBe("delivered");
        const { from: board, number } = boardTokens(pair);
        const forged = new Uint8Array(60);
        const view = new DataView(forged.buffer);
        forged[0] = 0x58;
        view.setUint32(1, board);
        view.setUint32(5, 0x0bad_cafe);
        view.setUint32(9, number);
        const before = pair.saidBy(false).length;
        pair.sayToGateway(forged);
        await pair.run(S);
        expect(
          pair
            .saidBy(false)
            .slice(before)
            .map(({ length }) => length),
        ).toEqual([34]);
        expect(pair.boardSessions).toEqual([`opened ${C.ok}`]);
      });

      it("gets no longer answers than what they sent, from openings of any length", async () => {
        const lengths = new Set<number>();
        for (let more = 0; more < 14; more++) {
          const pair = await meet();
          const extension: Frame = { type: "extension", kind: 0, bytes: new Uint8Array(more) };
          const frames = more > 0 ? [hello(8), extension] : [hello(8)];
          const opening = protectedOpening(1, 0x0077_0001, 0x77, ...frames);
          lengths.add(opening.length);
          pair.sayToBoard(opening);
          await pair.run(10 * S);
          const said = pair.saidBy(true).reduce((sum, { length }) => sum + length, 0);
          expect(said).toBeGreaterThan(0);
          expect(said).toBeLessThanOrEqual(opening.length);
        }
        expect(lengths.size).toBe(14);
      });

      it("who cuts a datagram short makes it void, wherever", async () => {
        const pair = await meet();
        pair.isLost = ({ isFromBoard, index }) => !isFromBoard && index > 0;
        await send(pair, marker, 200 * MS);
        const message = pair.saidBy(false)[1]!;
        const { from: board, to: gateway } = boardTokens(pair);
        const long = protectedLong(1, gateway, { token: board, salt: NO_SALT }, 1);
        for (const whole of [message, long, protectedOpening(1, 0x0077_0001, 0x77, hello(8))])
          for (let length = 0; length < whole.length; length++)
            pair.sayToBoard(whole.slice(0, length));
        expect(pair.boardGot).toEqual([]);
        pair.sayToBoard(message);
        expect(pair.boardGot.length).toBe(1);
      });

      it("whatever bytes they send, nothing changes", async () => {
        const pair = await meet();
        expect(await send(pair, marker)).toBe("delivered");
        const first = fc.constantFrom(0x48, 0x49, 0x58, 0x5b);
        fc.assert(
          fc.property(first, fc.uint8Array({ maxLength: 60 }), (head, rest) => {
            pair.sayToBoard(Uint8Array.of(head, ...rest));
          }),
          { numRuns: 300 },
        );
        await pair.run(S);
        expect(pair.boardGot.length).toBe(1);
        expect(pair.boardSessions).toEqual([`opened ${C.ok}`]);
        expect(await send(pair, marker)).toBe("delivered");
      });
    });

    describe("restarts and keys", () => {
      it("a board that has lost the session says so, and messages go on in the next one", async () => {
        const pair = await met();
        await pair.run(5 * S);
        await pair.bootBoard();
        expect(await send(pair, blob(1000), 20 * S)).toMatchObject({ code: "peer-restarted" });
        expect(await send(pair, blob(1000))).toBe("delivered");
        // NO-SESSION was right: nothing had to be given up for silence.
        expect(pair.saidBy(true).some(({ length }) => length === 34)).toBe(true);
      });

      it("a gateway that has lost the session says so to the board", async () => {
        const pair = await met();
        await pair.run(5 * S);
        await pair.bootGateway();
        const sending = pair.board.send(GATEWAY, blob(1000), { options: C.resend });
        await pair.run(10 * S);
        expect(await sending.ended).toBe(C.delivered);
        expect(pair.boardSessions).toEqual([
          `opened ${C.ok}`,
          `ended ${C.peerRestarted}`,
          `opened ${C.ok}`,
        ]);
      });

      it("a gateway that comes back with another token takes over", async () => {
        const pair = await met();
        await pair.run(5 * S);
        await pair.bootGateway();
        expect(await send(pair, blob(10))).toBe("delivered");
        expect(pair.boardGot.map(({ bytes }) => bytes)).toEqual([marker, blob(10)]);
      });

      it("both open at once and meet in one session", async () => {
        const pair = await meet();
        const one = pair.gateway.peer(BOARD).send(blob(500));
        const other = pair.board.send(GATEWAY, blob(600));
        await pair.run(5 * S);
        expect([(await one).outcome, await other.ended]).toEqual(["delivered", C.delivered]);
      });

      it.each<[string, number[], number[], "gateway" | "board", number]>([
        ["the gateway uses the newer one", [2, 1], [1, 2], "gateway", 2],
        ["the board has a pending one, and opens under the one in use", [2, 1], [1, 2], "board", 1],
        ["the gateway has the older one alone", [1], [1, 2, 3], "gateway", 1],
        ["the gateway has the newest one alone", [3], [1, 2, 3, 4], "gateway", 3],
        ["the board has the older one alone", [2, 1], [1], "board", 1],
      ])("several keys: %s", async (_name, gatewayKeys, boardKeys, first, used) => {
        const pair = await meet({ gatewayKeys, boardKeys });
        if (first === "gateway") {
          expect(await send(pair, blob(100))).toBe("delivered");
          expect(new Set(pair.right)).toEqual(new Set([used]));
        } else {
          const sending = pair.board.send(GATEWAY, blob(100));
          await pair.run(5 * S);
          expect(await sending.ended).toBe(C.delivered);
        }
      });

      it("both open at once under different keys: they end up under one", async () => {
        for (let delay = 0; delay < 4; delay++) {
          const pair = await meet({ gatewayKeys: [2, 1], boardKeys: [1, 2] });
          const one = pair.gateway.peer(BOARD).send(blob(5000));
          await pair.run(delay * 700);
          const other = pair.board.send(GATEWAY, blob(5000));
          await pair.run(5 * S);
          expect([(await one).outcome, await other.ended]).toEqual(["delivered", C.delivered]);
          expect(pair.right.at(-1)).toBe(2);
        }
      });

      it("draws another salt for each session", async () => {
        const pair = await met();
        await pair.bootBoard();
        pair.board.send(GATEWAY, marker);
        await pair.run(5 * S);
        const salts = pair
          .saidBy(true)
          .filter((each) => (each[0]! & 0x10) !== 0 && tokensOf(each).from !== 0)
          .map((each) => Buffer.from(each.subarray(13, 25)).toString("hex"));
        expect(new Set(salts).size).toBe(2);
        for (const salt of salts) expect(new Set(salt.match(/.{8}/g)).size).toBe(3);
      });

      it("a session goes under the key of the last long datagram that was right", async () => {
        const pair = await met({ gatewayKeys: [1], boardKeys: [1, 2] });
        const answer = pair.saidBy(true)[0]!;
        const { from: board, to: gateway } = tokensOf(answer);
        const salt = answer.slice(13, 25);
        const number = tokensOf(pair.saidBy(false)[0]!).number + 20;
        pair.sayToBoard(protectedLong(2, gateway, { token: board, salt }, number));
        pair.board.send(GATEWAY, blob(10));
        pair.board.pump();
        const said = pair.saidBy(true).at(-1)!;
        const nonce = new Uint8Array(13);
        const view = new DataView(nonce.buffer);
        view.setUint32(0, (board & 0xffff_0000) >>> 16);
        view.setUint16(2, (said[1]! << 8) | said[2]!);
        view.setUint32(4, gateway);
        const key = new OpenSslPairKey(secretOf(2), 0);
        const named = { token: gateway, salt: new Uint8Array(12).fill(5) };
        const frames = key
          .directionKey(false, { token: board, salt }, named)
          .open(said, (said[0]! & 0x10) === 0 ? 3 : 25, nonce);
        expect(frames).toBeDefined();
      });

      it("NO-SESSION goes under the key of what it answers", async () => {
        const pair = await meet({ gatewayKeys: [2], boardKeys: [1, 2] });
        pair.forgetsKeys = false;
        expect(await send(pair, marker)).toBe("delivered");
        pair.board.closePeer(GATEWAY);
        await pair.run(S);
        const before = pair.saidBy(true).length;
        // The opening again: its token is one of an ended session now.
        const opening = pair.saidBy(false)[0]!;
        pair.sayToBoard(opening);
        pair.board.pump();
        const answer = pair.saidBy(true)[before]!;
        expect(answer.length).toBe(34);
        const { from: token, number } = tokensOf(opening);
        const key = new OpenSslPairKey(secretOf(2), 0);
        const nobody = { token: 0, salt: NO_SALT };
        const nonce = new Uint8Array(13);
        const view = new DataView(nonce.buffer);
        view.setUint32(0, number);
        view.setUint32(4, token);
        const opened = key
          .directionKey(false, nobody, { token, salt: NO_SALT })
          .open(answer, 25, nonce);
        expect(opened).toEqual(Uint8Array.of(0x51));
      });

      it("a key that is set ends the plain session, and all goes under it from then on", async () => {
        const pair = await met({ gatewayKeys: [], boardKeys: [] });
        await pair.run(S);
        expect(pair.air.some(({ datagram }) => isProtected(datagram))).toBe(false);
        expect(pair.boardGot.length).toBe(1);
        const before = pair.air.length;
        pair.changeGatewayKeys([1]);
        pair.changeBoardKeys([1]);
        expect(await send(pair, blob(2000))).toBe("delivered");
        expect(pair.boardSessions).toContain(`ended ${C.peerRestarted}`);
        expect(pair.air.slice(before).every(({ datagram }) => isProtected(datagram))).toBe(true);
      });

      it("a key that is gone ends the session under it", async () => {
        const pair = await met({ boardKeys: [1, 2], gatewayKeys: [1] });
        await pair.run(S);
        pair.changeBoardKeys([1, 3]);
        expect(pair.boardSessions).toEqual([`opened ${C.ok}`]);
        pair.changeBoardKeys([3]);
        expect(pair.boardSessions).toEqual([`opened ${C.ok}`, `ended ${C.peerRestarted}`]);
      });

      it("keys that come or go without a word mix no plain and protected datagrams in a session", async () => {
        const loose: Frame = {
          ...{ type: "loose", lane: 0, fragmented: false, id: 0, index: 0, last: true, crc32: 0 },
          bytes: blob(3),
        };
        const tokens = (pair: ProtectedPair) => ({
          board: boardTokens(pair).from,
          gateway: boardTokens(pair).to,
          next: tokensOf(pair.saidBy(false)[0]!).number + 20,
        });
        // The keys are gone, and the session is still protected.
        const gone = await met();
        const { board, gateway, next } = tokens(gone);
        gone.boardKeys = [];
        for (let length = 5; length < 20; length++) {
          const short = new Uint8Array(length);
          short[0] = 0x40;
          new DataView(short.buffer).setUint16(1, next & 0xffff);
          gone.sayToBoard(short);
        }
        gone.sayToBoard(plainLong(gateway, board, next, loose));
        gone.sayToBoard(plainLong(gateway, 0, next + 1, hello(8), loose));
        expect(gone.boardGot.length).toBe(1);
        // There is a key now, and the session is still in plain.
        const come = await met({ gatewayKeys: [], boardKeys: [] });
        const those = tokens(come);
        come.sayToBoard(plainLong(those.gateway, those.board, those.next, loose));
        expect(come.boardGot.length).toBe(2);
        come.boardKeys = [{ secret: secretOf(1), side: 1 }];
        const to = { token: those.board, salt: NO_SALT };
        come.sayToBoard(protectedLong(1, those.gateway, to, those.next + 1, loose));
        expect(come.boardGot.length).toBe(2);
      });

      it("an opening of long ago does not keep a board that wants to speak from its gateway", async () => {
        const pair = await met();
        const old = pair.saidBy(false)[0]!;
        pair.gateway.peer(BOARD).close();
        await pair.run(S);
        // It has forgotten which sessions have ended.
        await pair.bootBoard();
        pair.isLost = ({ isFromBoard }) => isFromBoard;
        const sending = pair.board.send(GATEWAY, blob(10));
        await pair.run(20 * MS);
        pair.isLost = () => false;
        pair.sayToBoard(old);
        // It believes that one, and is told better.
        expect(tokensOf(pair.saidBy(true).at(-1)!).to).toBe(tokensOf(old).from);
        await pair.run(5 * S);
        expect(await Promise.race([sending.ended, Promise.resolve("not yet")])).toBe(C.delivered);
      });

      it("who is revoked gets nothing, is not heard, and messages to it end", async () => {
        const pair = await met();
        await pair.run(S);
        const slow = pair.board.send(GATEWAY, blob(100_000));
        await pair.run(10 * MS);
        pair.changeBoardKeys("revoked");
        expect(await slow.ended).toBe(C.peerRevoked);
        expect(pair.boardSessions.at(-1)).toBe(`ended ${C.peerRevoked}`);
        expect(() => pair.board.send(GATEWAY, blob(10))).toThrow(String(C.peerRevoked));
        await pair.run(10 * MS);
        const [got, said] = [pair.boardGot.length, pair.saidBy(true).length];
        pair.gateway
          .peer(BOARD)
          .send(blob(10), { deadlineMs: 9000 })
          .catch(() => {});
        await pair.run(10 * S);
        pair.sayToBoard(plainLong(1234, 0, 0, hello(8)));
        await pair.run(S);
        expect([pair.boardGot.length, pair.saidBy(true).length]).toEqual([got, said]);
      });

      it("what waits for who was revoked without a word ends too", async () => {
        const pair = await meet();
        pair.isLost = () => true;
        pair.board.setLink(false);
        const sending = pair.board.send(GATEWAY, blob(10));
        pair.boardKeys = "revoked";
        pair.board.setLink(true);
        pair.board.pump();
        await pair.run(S);
        expect(await sending.ended).toBe(C.peerRevoked);
        expect(pair.saidBy(true)).toEqual([]);
      });

      it("a board without a key does not answer protected datagrams", async () => {
        const pair = await meet({ boardKeys: [] });
        pair.gateway
          .peer(BOARD)
          .send(marker, { deadlineMs: 5000 })
          .catch(() => {});
        await pair.run(10 * S);
        expect(pair.saidBy(true)).toEqual([]);
      });
    });
  });
}
