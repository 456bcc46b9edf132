import { describe, expect, it } from "vitest";
import type { CapturedDatagram } from "../captured.js";
import { planReplay } from "./plan.js";
import { longDatagram, standInClose, standInOpening } from "./stand-in.js";

const PEER = Uint8Array.of(2, 0, 0, 0, 0, 9);
const [OWN, CLAIM, TRUE] = [0x0001_1111, 0x0002_2222, 0x0003_3333];

const sent = (atUs: number, to: number, number: number): CapturedDatagram => ({
  atUs,
  direction: "sent",
  to: PEER,
  bytes: longDatagram(OWN, to, number, []),
  tookUs: 0,
});
const received = (atUs: number, from: number, to: number): CapturedDatagram => ({
  atUs,
  direction: "received",
  from: PEER,
  bytes: longDatagram(from, to, from >>> 16, []),
});

const plan = (...datagrams: CapturedDatagram[]) => planReplay(datagrams, () => false).steps;

describe("planReplay", () => {
  it("lets an endpoint draw what the recorded one drew", () => {
    const steps = plan(received(10, TRUE, 0), sent(20, TRUE, 1));
    expect(steps).toMatchObject([{ atUs: 10, draws: [OWN], isStandIn: false }]);
  });

  it("takes what was sent at the same instant for the answer, however they stand in the file", () => {
    const steps = plan(sent(10, TRUE, 1), received(10, TRUE, 0));
    expect(steps).toMatchObject([{ draws: [OWN] }]);
  });

  it("opens for an endpoint what the recorded side opened, under a token that nobody has", () => {
    const steps = plan(sent(10, 0, 1), received(20, TRUE, OWN));
    expect(steps).toMatchObject([{ draws: [OWN], isStandIn: true }, { isStandIn: false }]);
    const [opening] = steps;
    const token = new DataView(opening!.bytes.buffer).getUint32(1);
    expect([0, OWN, TRUE]).not.toContain(token);
    expect(opening!.bytes).toEqual(standInOpening(token));
  });

  it("begins anew when a claim on an opening was refuted, and not for an opening that left late", () => {
    const claimed = [sent(10, 0, 1), received(20, CLAIM, 0), sent(30, CLAIM, 3)];
    const isEnded = (number: number) => {
      const steps = plan(...claimed, sent(40, 0, number), received(50, TRUE, OWN));
      return steps.some(({ bytes }) => Buffer.from(bytes).equals(standInClose(CLAIM, OWN)));
    };
    expect([isEnded(2), isEnded(4)]).toEqual([false, true]);
  });
});
