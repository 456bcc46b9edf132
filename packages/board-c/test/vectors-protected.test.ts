import type { Link, LinkHandlers } from "@fardel/core";
import { VirtualClock } from "@fardel/lossy-link";
import { afterAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import type { PairingVector, SessionlessVector } from "../../../test/vectors/pairing.js";
import type { ProtectedVector } from "../../../test/vectors/protected.js";
import { bytesOf, hexOf, load } from "../../../test/vectors/read.js";
import { BoardEndpoint } from "./board-endpoint.js";
import { BoardPairing, TAKES, WAY } from "./board-pairing.js";
import { datagramOf } from "./pairing-pair.js";
import { MBEDTLS } from "./support/build.js";
import type { CProgram } from "./support/c-program.js";
import { lacksCipherLibrary } from "./support/cipher-library.js";
import { nativeProgram } from "./support/native-program.js";
import { wasmProgram } from "./support/wasm-program.js";

const GATEWAY = Uint8Array.of(2, 0, 0, 0, 0, 0x0a);
const BOARD = Uint8Array.of(2, 0, 0, 0, 0, 0x0b);
const wordsOf = (hex: string) =>
  (hex.match(/.{8}/g) ?? []).map((word) => Number.parseInt(word, 16));

/** Draws these, and then always 1. */
function drawing(words: readonly number[]) {
  const left = [...words];
  return { random: () => left.shift() ?? 1, more: (hex: string) => left.push(...wordsOf(hex)) };
}

interface Backend {
  readonly name: string;
  readonly isLeftOut: boolean;
  open(harness: "endpoint" | "pairing"): CProgram;
}

const definesOf = (harness: string) => (harness === "endpoint" ? ["FARDEL_PROTECTED"] : []);
const BACKENDS: readonly Backend[] = [
  {
    name: "as WebAssembly",
    isLeftOut: lacksCommands("clang", "wasm-ld"),
    open: (harness) => wasmProgram(harness, definesOf(harness)),
  },
  {
    name: "with the ciphers of the example",
    isLeftOut: lacksCommands("gcc") || lacksCipherLibrary(),
    open: (harness) => nativeProgram(harness, "sanitized", [...definesOf(harness), MBEDTLS]),
  },
  {
    name: "on a big-endian processor",
    isLeftOut: lacksCommands("powerpc-linux-gnu-gcc", "qemu-ppc"),
    open: (harness) => nativeProgram(harness, "big-endian", definesOf(harness)),
  },
];

for (const { name, isLeftOut, open } of BACKENDS) {
  describe.skipIf(isLeftOut)(`vectors of pairing and protected sessions in C, ${name}`, () => {
    const opened = new Map<string, CProgram>();
    const program = (harness: "endpoint" | "pairing") => {
      const known = opened.get(harness) ?? open(harness);
      opened.set(harness, known);
      return known;
    };
    afterAll(() => {
      for (const each of opened.values()) each.close();
    });

    it("17: a board says each datagram that is its own, and takes the others", async () => {
      const said: string[] = [];
      let handlers: LinkHandlers | undefined;
      const link: Link = {
        ...{ mtuBytes: 250, outstandingMax: 4, close: () => {} },
        open: (given) => {
          handlers = given;
        },
        send: (_to, datagram, done) => {
          said.push(hexOf(datagram));
          queueMicrotask(() => done("sent"));
        },
      };
      const [opening, answer, short, refusal] = load<ProtectedVector>("protected");
      const got: Uint8Array[] = [];
      const { random } = drawing(wordsOf(`${answer!.tokenFrom}${answer!.saltFrom}`));
      const board = new BoardEndpoint({
        ...{ program: program("endpoint"), link, clock: new VirtualClock(), random },
        application: { message: ({ bytes }) => got.push(bytes) },
        keys: { keysFor: () => [{ secret: bytesOf(answer!.pairKey), side: 1 }] },
      });
      await board.open();
      const hear = (hex: string) => handlers?.onDatagram(GATEWAY, bytesOf(hex), {});
      hear(opening!.hex);
      expect(said).toEqual([answer!.hex]);
      hear(short!.hex);
      expect(got.map((bytes) => new TextDecoder().decode(bytes))).toEqual(["fan"]);
      await Promise.resolve();
      said.length = 0;
      // To a token that it does not have: it cannot look at the rest.
      hear(`58${opening!.tokenFrom}0bad0bad0000a1b4${"55".repeat(21)}`);
      board.pump();
      expect(said.filter((each) => each.length === 68)).toEqual([refusal!.hex]);
    });

    it.each(load<PairingVector>("pairing"))("16: $meaning", (vector) => {
      const { way, known, drawB, nameB, exchange } = vector;
      const said: string[] = [];
      const codes: number[] = [];
      const draws = drawing([]);
      const board = new BoardPairing({
        ...{ program: program("pairing"), clock: new VirtualClock(), random: draws.random },
        ...{ address: BOARD, name: nameB, isCable: true, show: (code) => codes.push(code) },
        claim: way === "code" ? bytesOf(known) : new Uint8Array(32),
        transmit: (_to, datagram) => {
          if (datagram[1] === 3) said.push(hexOf(datagram.slice(2, -2)));
          return true;
        },
      });
      if (way === "renew") board.addKey(GATEWAY, bytesOf(known));
      else board.start(WAY[way]);
      draws.more(drawB);
      const hear = (body: string) => board.handleDatagram(GATEWAY, datagramOf(bytesOf(body)));
      hear(vector.offer);
      expect(said.splice(0)).toEqual([vector.answer]);
      hear(vector.proof);
      if (way === "compare") {
        expect(said.splice(0)).toEqual([`07${exchange}`]);
        expect(codes).toEqual([Number(vector.shortCode)]);
        board.accept(true);
        hear(vector.proof);
      }
      expect(said.splice(0)).toEqual([vector.check]);
      hear(vector.kept);
      expect(said.splice(0)).toEqual([vector.done]);
      expect(board.keysOf(GATEWAY)).toEqual([vector.pairKey]);
    });

    it("15: a board announces itself, and answers what it is asked", () => {
      const vectors = new Map(
        load<SessionlessVector>("sessionless").map((vector) => [vector.name, vector.hex]),
      );
      const said: string[] = [];
      const clock = new VirtualClock();
      const board = new BoardPairing({
        ...{ program: program("pairing"), clock, random: () => 1, address: BOARD },
        ...{ name: "row 4", kind: "row-station", messageBytesMax: 4096, isCable: true },
        ...{ claim: new Uint8Array(32), show: () => {}, takes: TAKES.plain + TAKES.protected },
        // Renewing is always open: it is not for a board that was never paired.
        hasCrypto: false,
        transmit: (_to, datagram) => said.push(hexOf(datagram)) > 0,
      });
      clock.runSync(1_000_000);
      expect(said.splice(0)).toEqual([vectors.get("ANNOUNCE")]);
      for (const [query, isAnswered] of [
        ["QUERY", true],
        ["QUERY with a map", false],
        ["QUERY cut short", false],
      ] as const) {
        board.handleDatagram(GATEWAY, bytesOf(vectors.get(query) ?? ""));
        clock.runSync(clock.nowUs() + 1000);
        expect(said.splice(0), query).toEqual(isAnswered ? [vectors.get("ANNOUNCE")] : []);
      }
      const open = new BoardPairing({
        ...{ program: program("pairing"), clock, random: () => 1, address: BOARD },
        ...{ name: "row 4", kind: "row-station", messageBytesMax: 4096, isCable: true },
        ...{ claim: new Uint8Array(32), show: () => {}, takes: TAKES.plain + TAKES.protected },
        transmit: (_to, datagram) => said.push(hexOf(datagram)) > 0,
      });
      said.length = 0;
      open.start(WAY.cable + WAY.code + WAY.compare);
      clock.runSync(clock.nowUs() + 1_000_000);
      expect(said[0]).toBe(vectors.get("ANNOUNCE in pairing mode"));
    });
  });
}
