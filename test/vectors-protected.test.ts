import { VirtualClock } from "@fardel/lossy-link";
import { describe, expect, it } from "vitest";
import { createPairKey } from "../packages/pairing/src/keys/pair-key.js";
import type { RandomBytes } from "../packages/pairing/src/pairing/agreement.js";
import { PairingInitiator } from "../packages/pairing/src/pairing/initiator.js";
import { PairingResponder } from "../packages/pairing/src/pairing/responder.js";
import type { ResponderEvent } from "../packages/pairing/src/pairing/responder-events.js";
import { OpenSslPairKey } from "./openssl-pair-key.js";
import { render } from "./vectors/make.js";
import { files } from "./vectors/make-protected.js";
import type { PairingVector } from "./vectors/pairing.js";
import type { ProtectedVector } from "./vectors/protected.js";
import { bytesOf, hexOf, load, textOf } from "./vectors/read.js";

const ADDRESS_A = Uint8Array.of(2, 0, 0, 0, 0, 0x0a);
const ADDRESS_B = Uint8Array.of(2, 0, 0, 0, 0, 0x0b);
const NO_SALT = "00".repeat(12);

describe("vectors of discovery, pairing and protected sessions", () => {
  it.each(Object.entries(files))("%s.json is what make-protected.ts writes", (name, vectors) => {
    expect(textOf(name)).toBe(render(vectors));
  });

  it.each(load<ProtectedVector>("protected"))("17: $name", (vector) => {
    const { side, pairKey, hex, head, frames, tokenFrom, tokenTo, saltFrom, saltTo } = vector;
    const named = (token: string, salt: string) => ({
      token: Number.parseInt(token, 16),
      salt: bytesOf(salt),
    });
    const [from, to] = [named(tokenFrom, saltFrom), named(tokenTo, saltTo)];
    const headBytes = head.length / 2;
    const nonce = bytesOf(vector.nonce);
    const sides = ["initiator", "responder"] as const;
    for (const keyOf of [
      (of: 0 | 1) => createPairKey(bytesOf(pairKey), sides[of]!),
      (of: 0 | 1) => new OpenSslPairKey(bytesOf(pairKey), of),
    ]) {
      const whole = new Uint8Array(hex.length / 2);
      whole.set(bytesOf(head + frames));
      keyOf(side)
        .directionKey(true, from, to)
        .seal(whole, headBytes, whole.length - 8, nonce);
      expect(hexOf(whole)).toBe(hex);
      const receiver = keyOf(side === 0 ? 1 : 0).directionKey(false, from, to);
      expect(hexOf(receiver.open(bytesOf(hex), headBytes, nonce)!)).toBe(frames);
      // Back to its sender, or as another session's, it is nothing.
      const back = keyOf(side).directionKey(false, from, to);
      expect(back.open(bytesOf(hex), headBytes, nonce)).toBeUndefined();
    }
    if (tokenFrom === "00000000") expect([saltFrom, saltTo]).toEqual([NO_SALT, NO_SALT]);
  });

  it.each(load<PairingVector>("pairing"))("16: $meaning", (vector) => {
    const { way, known, nameA, nameB } = vector;
    const key = (side: "initiator" | "responder") => createPairKey(bytesOf(known), side);
    const claim = way === "code" ? { claim: bytesOf(known) } : {};
    const clock = new VirtualClock();
    const initiator = new PairingInitiator(
      {
        ...{ address: ADDRESS_B, way, name: nameA, random: drawing(vector, vector.drawA) },
        ...claim,
        ...(way === "renew" && { key: key("initiator") }),
      },
      clock.nowUs(),
    );
    const responder = new PairingResponder({
      ...{ name: nameB, random: drawing(vector, vector.drawB), ...claim },
      keysFor: () => (way === "renew" ? [key("responder")] : []),
    });
    if (way !== "renew") responder.openMode({ ways: [way], untilUs: 60_000_000 });
    const said: string[] = [];
    let agreed = "";
    let event: ResponderEvent | undefined;
    const shortCodes: string[] = [];
    /** All that follows from what was said last. */
    const pump = () => {
      for (let more = true; more; ) {
        more = false;
        const offered = initiator.pollEvent();
        if (offered) more = true;
        if (offered?.type === "short-code-known") {
          shortCodes.push(offered.shortCode);
          initiator.accept();
        } else if (offered?.type === "key-agreed") initiator.stored(0);
        event = responder.pollEvent();
        if (event) more = true;
        if (event?.type === "short-code-known") {
          shortCodes.push(event.shortCode);
          responder.accept(event.exchange, 0);
        } else if (event?.type === "key-agreed") {
          agreed = hexOf(event.key.exportSecret());
          responder.stored(event.exchange, 0);
        } else if (event && "exchange" in event) responder.stored(event.exchange, 0);
        for (const [machine, to, from] of [
          [initiator, responder, ADDRESS_A],
          [responder, initiator, ADDRESS_B],
        ] as const) {
          const transmit = machine.pollTransmit();
          if (!transmit) continue;
          more = true;
          said.push(hexOf(transmit.body));
          to.handleBody(from, transmit.body, 0);
        }
      }
    };
    pump();
    const { offer, answer, proof, check, kept, done } = vector;
    const steps = said.filter((body) => !body.startsWith("07"));
    expect(steps).toEqual([offer, answer, proof, check, kept, done]);
    expect(agreed).toBe(vector.pairKey);
    if (way === "compare") expect(shortCodes).toEqual([vector.shortCode, vector.shortCode]);
  });
});

/** What a side draws: the exchange, its share or its secret; of a scalar the seed that gives it. */
function drawing({ way, exchange }: PairingVector, draw: string): RandomBytes {
  return (count) => {
    if (count === 4) return bytesOf(exchange);
    if (count === draw.length / 2) return bytesOf(draw);
    // FIPS 186-4, B.4.1: the scalar is the seed modulo n - 1, and 1.
    const less = (BigInt(`0x${draw}`) - 1n).toString(16);
    return way === "code" ? bytesOf(less.padStart(2 * count, "0")) : new Uint8Array(count);
  };
}
