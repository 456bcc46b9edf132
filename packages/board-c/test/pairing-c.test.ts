import { createHash } from "node:crypto";
import { createPairKey } from "@fardel/pairing";
import fc from "fast-check";
import { afterAll, describe, expect, it } from "vitest";
import { lacksCommands } from "../../../test/system-commands.js";
import { PairingInitiator } from "../../pairing/src/pairing/initiator.js";
import { ABORT_REASON, encodeAbort } from "../../pairing/src/pairing/pair-body.js";
import type { PairingWay } from "../../pairing/src/pairing/way.js";
import { REASON, WAY } from "./board-pairing.js";
import {
  BOARD,
  CLAIM,
  type Flight,
  GATEWAY,
  PairingPair,
  type PairingPairOptions,
} from "./pairing-pair.js";
import { MBEDTLS } from "./support/build.js";
import type { CProgram } from "./support/c-program.js";
import { lacksCipherLibrary } from "./support/cipher-library.js";
import { nativeProgram } from "./support/native-program.js";
import { wasmProgram } from "./support/wasm-program.js";

const S = 1_000_000;
const WAYS: readonly PairingWay[] = ["cable", "code", "compare", "renew"];
const OFFER = 1;
const ANSWER = 2;
const PROOF = 3;
const CHECK = 4;
const KEPT = 5;
const DONE = 6;
const WAIT = 7;
const ABORT = 8;

type Made = Omit<PairingPairOptions, "program">;

const stepsOf = (flights: readonly Flight[]) => flights.map(({ body }) => body[0]);
/** What the board answered with ABORT, in order. */
const abortsOf = ({ log }: PairingPair) =>
  log.flatMap(({ isFromGateway, body }) => (!isFromGateway && body[0] === ABORT ? [body[5]] : []));

function expectOneKey(pair: PairingPair): void {
  expect(pair.gatewayKeys).toHaveLength(1);
  expect(pair.boardKeys).toEqual(pair.gatewayKeys);
}

const BACKENDS: readonly (readonly [string, boolean, () => CProgram])[] = [
  ["as WebAssembly", lacksCommands("clang", "wasm-ld"), () => wasmProgram("pairing")],
  [
    "with sanitizers and the ciphers of the example",
    lacksCommands("gcc") || lacksCipherLibrary(),
    () => nativeProgram("pairing", "sanitized", [MBEDTLS]),
  ],
  [
    "on a big-endian processor",
    lacksCommands("powerpc-linux-gnu-gcc", "qemu-ppc"),
    () => nativeProgram("pairing", "big-endian"),
  ],
];

for (const [name, isLeftOut, open] of BACKENDS) {
  describe.skipIf(isLeftOut)(`a board in C is paired, ${name}`, () => {
    let opened: CProgram | undefined;
    afterAll(() => opened?.close());

    const meet = (options: Made = {}) => {
      opened ??= open();
      return new PairingPair({ program: opened, ...options });
    };
    const meetFor = (way: PairingWay, options: Made = {}) =>
      way === "renew" ? meet(options).pairBefore() : meet(options);

    it.each(WAYS)("by %s: both have the same key in use", (way) => {
      const pair = meetFor(way);
      pair.pair(way);
      expect(pair.end).toBe("paired");
      expect(pair.board.ends).toEqual([REASON.paired]);
      expectOneKey(pair);
      expect(pair.gatewayKeys).not.toContain("01".repeat(32));
      const steps = stepsOf(pair.log).filter((step) => step !== WAIT);
      expect([...new Set(steps)]).toEqual([OFFER, ANSWER, PROOF, CHECK, KEPT, DONE]);
      if (way !== "compare") expect(steps).toHaveLength(6);
      for (const { body } of pair.log) expect(body.length).toBeLessThanOrEqual(92);
      expect(pair.ring.record(BOARD)?.name).toBe("row 4");
      expect(pair.board.isInPairingMode).toBe(false);
      expect(pair.boardCodes).toEqual(pair.gatewayCodes);
      expect(pair.boardCodes).toHaveLength(way === "compare" ? 1 : 0);
    });

    it.each(WAYS)("by %s: each step may be lost twice", (way) => {
      const pair = meetFor(way);
      const seen = new Map<string, number>();
      const bodies = new Map<string, string>();
      pair.fate = ({ isFromGateway, body }) => {
        const step = `${body[0]}`;
        const count = (seen.get(step) ?? 0) + 1;
        seen.set(step, count);
        // Each answer is the same again.
        if (!isFromGateway) expect(bodies.get(step) ?? String(body)).toBe(String(body));
        bodies.set(step, String(body));
        return count > 2 ? [{}] : [];
      };
      pair.pair(way);
      expect(pair.end).toBe("paired");
      expectOneKey(pair);
    });

    it.each(WAYS)("by %s: whichever datagram is the last that arrives, both can talk", (way) => {
      const ends = new Set<string | undefined>();
      for (let arrivals = 0; arrivals <= 24; arrivals++) {
        const pair = meet({ seed: arrivals }).pairBefore();
        let arrived = 0;
        pair.fate = () => (arrived++ < arrivals ? [{}] : []);
        pair.pair(way);
        expect(pair.whyNoTalk(), `after ${arrivals}`).toBeUndefined();
        ends.add(pair.end);
        pair.fate = () => [{}];
        pair.events.length = 0;
        pair.pair(way);
        expect(pair.end, `after ${arrivals}`).toBe("paired");
        expectOneKey(pair);
      }
      expect(ends).toEqual(new Set(["no-answer", "paired, unconfirmed", "paired"]));
    });
  });
}

describe.skipIf(lacksCommands("clang", "wasm-ld"))("the board's side of pairing", () => {
  const meet = (options: Made = {}) =>
    new PairingPair({ program: wasmProgram("pairing"), ...options });
  const meetFor = (way: PairingWay, options: Made = {}) =>
    way === "renew" ? meet(options).pairBefore() : meet(options);

  describe("16.3: who knows what, and when", () => {
    it("under loss, copies and delays both have the same key in use, or each has what the other uses", () => {
      const copy = fc.record({ delayUs: fc.integer({ min: 100, max: 1_500_000 }) });
      const fates = fc.array(fc.array(copy, { maxLength: 3 }), { minLength: 60, maxLength: 60 });
      let paired = 0;
      fc.assert(
        fc.property(fates, fc.constantFrom(...WAYS), fc.nat(10_000), (list, way, seed) => {
          const pair = meet({ seed }).pairBefore();
          pair.fate = ({ index }) => list[index % list.length]!;
          pair.pair(way);
          expect(pair.whyNoTalk()).toBeUndefined();
          expect(pair.end).toBeDefined();
          if (pair.end !== "paired") return;
          paired++;
          expectOneKey(pair);
        }),
        { numRuns: 150 },
      );
      expect(paired).toBeGreaterThan(50);
    });

    it("three exchanges in a row may be cut off anywhere, and the board may restart in between", () => {
      const cut = fc.record({
        way: fc.constantFrom<PairingWay>("cable", "cable", "renew"),
        arrivals: fc.nat(12),
        restarts: fc.boolean(),
      });
      fc.assert(
        fc.property(fc.array(cut, { maxLength: 3 }), fc.nat(10_000), (cuts, seed) => {
          const pair = meet({ seed }).pairBefore();
          for (const { way, arrivals, restarts } of cuts) {
            let arrived = 0;
            pair.fate = () => (arrived++ < arrivals ? [{}] : []);
            pair.pair(way);
            if (restarts) pair.board.restart();
            expect(pair.whyNoTalk()).toBeUndefined();
          }
          pair.fate = () => [{}];
          pair.pair("renew");
          expectOneKey(pair);
        }),
        { numRuns: 200 },
      );
    });

    it.each(WAYS)("by %s: the board may restart at any moment", (way) => {
      for (let at = 0; at < 14; at++) {
        const pair = meet({ seed: at }).pairBefore();
        pair.fate = ({ index }) => {
          if (index === at) pair.clock.setTimer(pair.clock.nowUs(), () => pair.board.restart());
          return [{}];
        };
        pair.pair(way);
        expect(pair.whyNoTalk(), `at ${at}`).toBeUndefined();
        pair.fate = () => [{}];
        pair.pair(way);
        expectOneKey(pair);
      }
    });

    it("says nothing of a key that could not be stored", () => {
      for (const way of WAYS) {
        const pair = meetFor(way, { stores: () => false });
        const before = pair.boardKeys;
        pair.pair(way);
        expect(pair.end, way).toBe("cancelled-there");
        expect(stepsOf(pair.log)).not.toContain(CHECK);
        expect(pair.boardKeys).toEqual(before);
      }
    });

    it("a protected datagram under the key is as good as KEPT", () => {
      const pair = meet().pairBefore();
      pair.fate = ({ body }) => (body[0] === KEPT ? [] : [{}]);
      pair.board.start(WAY.cable);
      pair.begin("cable");
      pair.run(S);
      const [used] = pair.gatewayKeys;
      expect(pair.boardKeys).toHaveLength(2);
      pair.board.noteRight(GATEWAY, Uint8Array.from(Buffer.from(used!, "hex")));
      expect(pair.boardKeys).toEqual([used]);
      expect(pair.board.ends).toEqual([REASON.paired]);
      expect(pair.board.isInPairingMode).toBe(false);
      // KEPT is answered all the same.
      pair.fate = () => [{}];
      pair.run();
      expect(pair.end).toBe("paired");
    });

    it("a protected datagram under another key is not", () => {
      const pair = meet().pairBefore();
      pair.fate = ({ body }) => (body[0] === KEPT ? [] : [{}]);
      pair.board.start(WAY.cable);
      pair.begin("cable");
      pair.run(S);
      pair.board.noteRight(GATEWAY, new Uint8Array(32).fill(1));
      const [used] = pair.gatewayKeys;
      pair.board.noteRight(BOARD, Uint8Array.from(Buffer.from(used!, "hex")));
      expect(pair.board.ends).toEqual([]);
      expect(pair.boardKeys).toHaveLength(2);
    });

    it("a right PROOF of renew shows which key both have: older ones go", () => {
      const pair = meet().pairBefore();
      // The gateway uses the second one already, the board has it pending.
      const second = new Uint8Array(32).fill(2);
      pair.ring.setNewer(BOARD, createPairKey(second, "initiator"));
      pair.board.addKey(GATEWAY, second);
      pair.fate = ({ body }) => (body[0] === CHECK ? [] : [{}]);
      pair.begin("renew");
      pair.run(5 * S);
      expect(pair.boardKeys).toHaveLength(2);
      expect(pair.boardKeys[0]).toBe("02".repeat(32));
      expect(pair.boardKeys).not.toContain("01".repeat(32));
    });

    it("after pairing mode copies of PROOF do not keep an exchange", () => {
      const pair = meet().pairBefore();
      pair.fate = ({ body }) => (body[0] === CHECK || body[0] === ABORT ? [] : [{}]);
      pair.board.start(WAY.cable, 2 * S);
      pair.begin("cable");
      // The last copy while it was open came before two seconds.
      pair.run(11.9 * S);
      expect(pair.board.ends).toEqual(["mode", REASON.timeOver]);
    });

    it("ABORT after KEPT is passed over: KEPT is answered", () => {
      const pair = meet();
      let done = 0;
      pair.fate = ({ body }) => {
        if (body[0] !== DONE || done++ > 0) return [{}];
        const exchange = new DataView(body.buffer).getUint32(1);
        pair.clock.setTimer(pair.clock.nowUs(), () =>
          pair.deliverToBoard(encodeAbort(exchange, ABORT_REASON.cancelled)),
        );
        return [];
      };
      pair.pair("cable");
      expect(pair.end).toBe("paired");
      expect(done).toBe(2);
    });

    it("one pairing closes pairing mode, a renewal does not", () => {
      const pair = meet().pairBefore();
      pair.board.start(WAY.cable);
      pair.begin("renew");
      pair.run(5 * S);
      expect(pair.board.isInPairingMode).toBe(true);
      pair.begin("cable");
      pair.run(5 * S);
      expect(pair.board.isInPairingMode).toBe(false);
      pair.begin("cable");
      pair.run(5 * S);
      expect(pair.end).toBe("not-in-pairing-mode");
    });

    it("KEPT is answered for ten seconds more", () => {
      const pair = meet();
      pair.pair("cable");
      const kept = pair.log.find(({ body }) => body[0] === KEPT)?.body as Uint8Array;
      const doneAt: number[] = [];
      const again = meet();
      again.fate = ({ body }) => {
        if (body[0] === DONE) doneAt.push(again.clock.nowUs());
        return body[0] === DONE ? [] : [{}];
      };
      again.pair("cable");
      expect(again.end).toBe("paired, unconfirmed");
      const first = doneAt[0] ?? 0;
      expect(doneAt.at(-1)).toBeGreaterThan(first + 8 * S);
      const count = again.log.length;
      // Both pairs have drawn the same numbers: so this is its KEPT.
      again.deliverToBoard(kept);
      again.run(S);
      expect(stepsOf(again.log.slice(count))).toEqual([ABORT]);
    });
  });

  describe("refuses", () => {
    it.each(["cable", "code", "compare"] as const)("%s out of pairing mode", (way) => {
      const pair = meet();
      pair.begin(way);
      pair.run();
      expect(pair.end).toBe("not-in-pairing-mode");
    });

    it("ways that nobody has opened, or that cannot be", () => {
      const pair = meet();
      pair.board.start(WAY.cable);
      pair.begin("code");
      pair.run(S);
      expect(pair.end).toBe("way-not-open");
      const noCable = meet({ board: { isCable: false } });
      expect(noCable.board.start(WAY.cable)).toBe(-1);
      expect(noCable.board.start(WAY.cable + WAY.code)).toBe(WAY.code);
      noCable.begin("cable");
      noCable.run(S);
      expect(noCable.end).toBe("way-not-open");
    });

    it("to renew without a key", () => {
      const pair = meet().pairBefore();
      pair.board.revoke();
      pair.begin("renew");
      pair.run();
      expect(pair.end).toBe("way-not-open");
    });

    it("to pair on a link of less than 96 bytes", () => {
      const pair = meet({ board: { mtuBytes: 95 } });
      expect(pair.board.start(WAY.cable + WAY.code + WAY.compare)).toBe(-1);
    });

    it("a second gateway while it pairs, for ten seconds", () => {
      const pair = meet();
      pair.fate = ({ body }) => (body[0] === OFFER || body[0] === ABORT ? [{}] : []);
      pair.board.start(WAY.cable);
      pair.begin("cable");
      pair.run(S / 10);
      pair.initiator = undefined;
      pair.begin("cable");
      pair.run(S);
      expect(pair.end).toBe("busy");
      pair.run(10 * S);
      pair.fate = () => [{}];
      pair.begin("cable");
      pair.run(S);
      expect(pair.end).toBe("paired");
    });

    it("others no longer than ten seconds after the last new step: copies do not count", () => {
      const pair = meet();
      pair.fate = ({ body }) => (body[0] === OFFER || body[0] === ABORT ? [{}] : []);
      pair.board.start(WAY.cable);
      pair.begin("cable");
      // It says its OFFER again and again.
      pair.run(9.9 * S);
      expect(pair.board.ends).toEqual([]);
      pair.run(0.2 * S);
      expect(pair.board.ends).toEqual([REASON.timeOver]);
      expect(pair.board.isInPairingMode).toBe(true);
    });

    it("when the person does, on either side", () => {
      const board = meet({ boardSays: false });
      board.pair("compare");
      expect(board.end).toBe("refused-there");
      expect(board.board.ends).toEqual([REASON.refused, "mode"]);
      const gateway = meet({ gatewaySays: false });
      gateway.pair("compare");
      expect(gateway.end).toBe("refused-here");
      expect(gateway.board.ends).toEqual([REASON.refused, "mode"]);
      expect(gateway.boardKeys).toEqual([]);
    });

    it("a person waits no longer than pairing mode lasts", () => {
      const pair = meet({ board: { show: () => {} } });
      pair.board.start(WAY.compare, 20 * S);
      pair.begin("compare");
      pair.run(19 * S);
      expect(pair.end).toBeUndefined();
      expect(stepsOf(pair.log)).toContain(WAIT);
      pair.run(2 * S);
      expect(pair.end).toBe("time-over");
      expect(pair.board.ends).toEqual([REASON.timeOver, "mode"]);
      pair.board.accept(true);
      expect(pair.boardKeys).toEqual([]);
    });

    it("goes on when it is stopped no more than to tell the other side", () => {
      const pair = meet({ board: { show: () => {} } });
      pair.board.start(WAY.compare);
      pair.begin("compare");
      pair.run(S);
      pair.board.stop();
      pair.run(S);
      expect(pair.end).toBe("cancelled-there");
    });
  });

  describe("wrong proofs", () => {
    const WRONG = new Uint8Array(32).fill(8);

    it("end the exchange, and after five in a row the code is closed, also across restarts", () => {
      const pair = meet({ claim: WRONG });
      for (let count = 1; count <= 5; count++) {
        pair.board.start(WAY.code + WAY.cable);
        pair.begin("code");
        pair.run(S);
        expect(pair.end).toBe("wrong-proof");
        expect(pair.board.wrongProofs).toBe(count);
        pair.board.restart();
      }
      expect(pair.board.start(WAY.code)).toBe(-1);
      expect(pair.board.start(WAY.code + WAY.cable)).toBe(WAY.cable);
      pair.begin("code");
      pair.run(S);
      expect(pair.end).toBe("way-not-open");
      pair.board.allowCode();
      expect(pair.board.start(WAY.code)).toBe(WAY.code);
    });

    it("end pairing mode when no way is left", () => {
      const pair = meet({ claim: WRONG });
      pair.board.start(WAY.code);
      for (let count = 1; count <= 5; count++) {
        pair.begin("code");
        pair.run(S);
      }
      expect(pair.board.isInPairingMode).toBe(false);
      expect(pair.board.ends).toEqual([...new Array(5).fill(REASON.wrongProof), "mode"]);
    });

    it("are forgotten by a right one", () => {
      const pair = meet();
      pair.board.wrongProofs = 4;
      pair.board.restart();
      pair.pair("code");
      expect(pair.end).toBe("paired");
      expect(pair.board.wrongProofs).toBe(0);
    });

    it("are counted before they are looked at: where they cannot be, nothing is", () => {
      let stores = true;
      const pair = meet({ claim: WRONG, stores: () => stores });
      pair.board.start(WAY.code);
      pair.fate = ({ body }) => {
        if (body[0] === PROOF) stores = false;
        return [{}];
      };
      pair.begin("code");
      pair.run(S);
      expect(pair.end).toBe("cancelled-there");
    });

    it.each(WAYS)("by %s: any bit of a proof that is changed makes it wrong", (way) => {
      for (let bit = 0; bit < 128; bit += 9) {
        const pair = meetFor(way, { seed: bit });
        pair.fate = ({ body }) => {
          if (body[0] !== PROOF) return [{}];
          const changed = body.slice();
          changed[5 + (bit >> 3)]! ^= 1 << (bit & 7);
          return [{ body: changed }];
        };
        pair.pair(way);
        expect(pair.end).toBe("wrong-proof");
        expect(abortsOf(pair)).toContain(REASON.wrongProof);
      }
    });

    it.each(WAYS)("by %s: any byte of OFFER and ANSWER that is changed shows", (way) => {
      for (const step of [OFFER, ANSWER])
        for (let at = 1; at < 92; at += 5) {
          const pair = meetFor(way, { seed: at });
          pair.fate = ({ body }) => {
            if (body[0] !== step) return [{}];
            const changed = body.slice();
            changed[Math.min(at, body.length - 1)]! ^= 1;
            return [{ body: changed }];
          };
          pair.pair(way);
          // Of compare two persons find it out.
          const isCaught = pair.end !== "paired" || pair.boardCodes[0] !== pair.gatewayCodes[0];
          expect(isCaught, `${step} at ${at}`).toBe(true);
        }
    });

    it("by compare: who changes X after having seen Y is found out", () => {
      const pair = meet();
      const other = new PairingInitiator(
        { address: BOARD, way: "compare", name: "other", random: (n) => new Uint8Array(n).fill(3) },
        0,
      );
      expect(other.pollTransmit()).toBeDefined();
      pair.fate = ({ body }) => {
        if (body[0] !== PROOF) return [{}];
        const changed = body.slice();
        changed.fill(9, 5);
        return [{ body: changed }];
      };
      pair.pair("compare");
      expect(pair.boardCodes).toEqual([]);
      expect(abortsOf(pair)).toEqual([REASON.wrongProof]);
    });

    it("by code and renew: points of small order, or beside the curve, end the exchange", () => {
      for (const way of ["code", "renew", "compare"] as const) {
        const pair = meetFor(way);
        pair.fate = ({ body }) => {
          if (body[0] !== OFFER) return [{}];
          const changed = body.slice();
          changed.fill(0, way === "code" ? 7 : 6, way === "code" ? 71 : 38);
          return [{ body: changed }];
        };
        pair.pair(way);
        expect(pair.end).toBe("wrong-proof");
      }
    });

    it("by compare: a key of zeros, which anybody would know, ends the exchange", () => {
      const pair = meet();
      const exchange = Uint8Array.of(1, 2, 3, 4);
      const zeros = new Uint8Array(32);
      const hash = createHash("sha256").update("fardel compare").update(exchange).update(zeros);
      const commitment = Uint8Array.from(hash.digest());
      pair.board.start(WAY.compare);
      pair.deliverToBoard(Uint8Array.of(OFFER, ...exchange, 3, ...commitment, 0));
      pair.deliverToBoard(Uint8Array.of(PROOF, ...exchange, ...zeros));
      pair.run(S);
      expect(pair.boardCodes).toEqual([]);
      expect(abortsOf(pair)).toEqual([REASON.wrongProof]);
    });

    it("somebody else's proof after the right one changes nothing", () => {
      const pair = meet();
      pair.fate = ({ body }) => {
        if (body[0] !== CHECK) return [{}];
        const forged = pair.log.find((flight) => flight.body[0] === PROOF)!.body.slice();
        forged[9]! ^= 1;
        pair.clock.setTimer(pair.clock.nowUs(), () => pair.deliverToBoard(forged));
        return [{}];
      };
      pair.pair("cable");
      expect(pair.end).toBe("paired");
    });

    it("a forged KEPT changes nothing", () => {
      const pair = meet().pairBefore();
      pair.fate = ({ body }) => {
        if (body[0] !== KEPT) return [{}];
        const forged = body.slice();
        forged[7]! ^= 1;
        return [{ body: forged }, { delayUs: 5 * S }];
      };
      pair.board.start(WAY.cable);
      pair.begin("cable");
      pair.run(S);
      expect(stepsOf(pair.log)).toContain(KEPT);
      expect(stepsOf(pair.log)).not.toContain(DONE);
      expect(pair.board.ends).toEqual([]);
      expect(pair.boardKeys).toHaveLength(2);
      pair.run();
      expect(pair.board.ends).toEqual([REASON.paired]);
      expectOneKey(pair);
    });

    it("of one address are nobody else's", () => {
      const pair = meet();
      pair.fate = ({ body }) => {
        if (body[0] === PROOF) pair.deliverToBoard(body, Uint8Array.of(2, 0, 0, 0, 0, 0x0c));
        return body[0] === PROOF ? [] : [{}];
      };
      pair.pair("cable");
      expect(stepsOf(pair.log)).not.toContain(CHECK);
    });
  });

  describe("ABORT", () => {
    it("ends an exchange, and leaves pairing mode open", () => {
      const pair = meet();
      pair.board.start(WAY.cable);
      pair.fate = ({ body }) => {
        const exchange = new DataView(body.buffer).getUint32(1);
        return body[0] === PROOF ? [{ body: encodeAbort(exchange, ABORT_REASON.cancelled) }] : [{}];
      };
      pair.begin("cable");
      pair.run(S);
      expect(pair.board.ends).toEqual([REASON.cancelled]);
      expect(pair.board.isInPairingMode).toBe(true);
      pair.initiator = undefined;
      pair.fate = () => [{}];
      pair.begin("cable");
      pair.run(S);
      expect(pair.end).toBe("paired");
    });

    it("forged after the key was stored leaves the key: both can talk", () => {
      const pair = meet().pairBefore();
      pair.fate = ({ body }) => {
        if (body[0] !== KEPT) return [{}];
        const exchange = new DataView(body.buffer).getUint32(1);
        return [{ body: encodeAbort(exchange, ABORT_REASON.refused) }];
      };
      pair.pair("cable");
      expect(pair.end).toBe("paired, unconfirmed");
      expect(pair.whyNoTalk()).toBeUndefined();
    });

    it("answers PROOF of an exchange that is not known, with why if that is", () => {
      const pair = meet();
      pair.fate = ({ body }) => {
        if (body[0] === PROOF) pair.board.restart();
        return [{}];
      };
      pair.pair("cable");
      expect(pair.end).toBe("exchange-unknown");
      const lost = meet({ claim: new Uint8Array(32).fill(8) });
      let aborts = 0;
      lost.fate = ({ body }) => (body[0] === ABORT && aborts++ === 0 ? [] : [{}]);
      lost.pair("code");
      expect(lost.end).toBe("wrong-proof");
      expect(lost.board.wrongProofs).toBe(1);
    });
  });

  it("any bytes do no harm, and are not answered at greater length but for a first ANSWER", () => {
    const pair = meet().pairBefore();
    pair.board.start(WAY.cable + WAY.code + WAY.compare, 1_000 * S);
    const step = fc.integer({ min: 0, max: 9 });
    const rest = fc.uint8Array({ minLength: 0, maxLength: 120 });
    fc.assert(
      fc.property(step, fc.integer({ min: 0, max: 5 }), rest, (first, way, bytes) => {
        const before = pair.log.length;
        const body = Uint8Array.of(first, ...bytes.subarray(0, 4), way, ...bytes.subarray(4));
        pair.deliverToBoard(body);
        pair.run(1000);
        for (const answer of pair.log.slice(before)) {
          expect([ANSWER, ABORT]).toContain(answer.body[0]);
          if (answer.body[0] === ABORT) expect(answer.body.length).toBeLessThanOrEqual(body.length);
        }
      }),
      { numRuns: 2000 },
    );
    pair.board.start(WAY.cable, 60 * S);
    pair.run(11 * S);
    pair.pair("cable");
    expect(pair.end).toBe("paired");
    expectOneKey(pair);
  });

  it("an OFFER under the same number with other bytes is not answered", () => {
    const pair = meet();
    pair.board.start(WAY.cable);
    pair.fate = ({ body }) => (body[0] === OFFER ? [{}] : []);
    pair.begin("cable");
    pair.run(S / 20);
    const forged = pair.log[0]!.body.slice();
    forged[7]! ^= 1;
    const before = pair.log.length;
    pair.deliverToBoard(forged);
    pair.run(1000);
    expect(pair.log.length).toBe(before);
  });

  it("takes its time: what the radio does not take goes later", () => {
    let busy = 0;
    const pair = meet();
    const waiting = meet({ board: { transmit: () => busy++ < 0 } });
    waiting.board.start(WAY.cable);
    waiting.begin("cable");
    waiting.run(S);
    // Every 2 ms at most.
    expect(busy).toBeGreaterThan(100);
    expect(busy).toBeLessThan(2000);
    expect(pair.log).toEqual([]);
  });

  it("says in a sentence how it ended", () => {
    const { board } = meet();
    const sentences = Array.from({ length: 9 }, (_, reason) => board.textOf(reason));
    expect(new Set(sentences).size).toBe(9);
    for (const sentence of sentences) expect(sentence).toMatch(/^[A-Z].*\.$/);
    expect(board.textOf(9)).toBe("Unknown reason.");
    expect(board.textOf(-1)).toBe("Unknown reason.");
  });

  describe("the record of keys", () => {
    const key = (fill: number) => new Uint8Array(32).fill(fill);
    const hexOf = (fill: number) => fill.toString(16).padStart(2, "0").repeat(32);

    it("has the one in use first, then from the newest to the oldest, four at most", () => {
      const { board } = meet();
      for (let fill = 1; fill <= 6; fill++) board.addKey(GATEWAY, key(fill));
      expect(board.keysOf(GATEWAY)).toEqual([1, 6, 5, 4].map(hexOf));
      board.noteRight(GATEWAY, key(5));
      expect(board.keysOf(GATEWAY)).toEqual([5, 6].map(hexOf));
      board.noteRight(GATEWAY, key(5));
      board.noteRight(GATEWAY, key(1));
      expect(board.keysOf(GATEWAY)).toEqual([5, 6].map(hexOf));
      board.noteRight(GATEWAY, key(6));
      expect(board.keysOf(GATEWAY)).toEqual([hexOf(6)]);
    });

    it("is for one address; another pairing takes its place", () => {
      const { board } = meet();
      board.addKey(GATEWAY, key(1));
      expect(board.keysOf(BOARD)).toEqual([]);
      board.noteRight(BOARD, key(1));
      board.addKey(BOARD, key(2));
      expect(board.keysOf(GATEWAY)).toEqual([]);
      expect(board.keysOf(BOARD)).toEqual([hexOf(2)]);
    });

    it("a revoked one holds no key, until it is paired again", () => {
      const { board } = meet();
      board.addKey(GATEWAY, key(1));
      board.revoke();
      expect(board.keysOf(GATEWAY)).toBe("revoked");
      board.addKey(GATEWAY, key(2));
      expect(board.keysOf(GATEWAY)).toEqual([hexOf(2)]);
    });
  });

  it("claims of the test: the keys of the ring are those of the gateway", () => {
    const pair = meet().pairBefore();
    pair.ring.set(BOARD, createPairKey(CLAIM, "initiator"));
    expect(pair.whyNoTalk()).toBe("the gateway uses a key that the board lacks");
  });
});
