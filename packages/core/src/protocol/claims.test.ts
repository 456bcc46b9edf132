import { describe, expect, it } from "vitest";
import type { Frame } from "../wire/frames.js";
import type { Session } from "./session.js";
import {
  dataFrame,
  frameTypes,
  HELLO,
  longDatagram,
  readDatagram,
  type Side,
  WiredPair,
} from "./wired-pair.js";

// Who is believed before a session is open; PROTOCOL.md, sections 4.2 to 4.4.

const S = 1_000_000;
const MS = 1000;
const STRANGE = 0x1234_5678;
const command = Uint8Array.from({ length: 32 }, (_, at) => at);

function session(side: Side): Session {
  const { session: current } = side.peer;
  if (!current) throw new Error("There is no session.");
  return current;
}

/** Side `a` has said that it wants a session, and nobody answers. */
function opening(): WiredPair {
  const wire = new WiredPair();
  wire.lose = () => true;
  wire.a.send(command, { afterRestart: "resend" });
  wire.run(MS / 2);
  expect(session(wire.a).phase).toBe("opening");
  return wire;
}

describe("an opening", () => {
  it("can neither close, refuse, acknowledge nor skip: its sender knows nothing of us", () => {
    const wire = opening();
    const { token, sender } = session(wire.a);
    const [first, largest] = [token & 0xffff, token >>> 16];
    const next = (first + 1) & 0xffff;
    const ack = { type: "ack", channel: 0, largest, next, window: 0, prompt: true } as const;
    const forged: Frame[] = [
      { ...ack, truncated: false, map: new Uint8Array() },
      { type: "stop", channel: 0, first, reason: 2 },
      { type: "skip", channel: 0, next: 0x5680 },
      { type: "close", reason: 0 },
    ];
    for (const [at, frame] of forged.entries())
      wire.deliver(wire.a, longDatagram(STRANGE, 0, 0x1234 + at, [HELLO, frame]));
    wire.run(wire.nowUs + 2 * MS);
    expect(wire.a.ends.size).toBe(0);
    expect(session(wire.a).token).toBe(token);
    expect(sender.inFlight).toBe(1);
    expect(session(wire.a).receiver?.find(({ channel }) => channel === 0)?.next ?? 0x5678).toBe(
      0x5678,
    );
  });

  it("answered by NO-SESSION is repeated with another token, whoever has claimed to be the peer since", () => {
    const wire = opening();
    const { token, nextNumber } = session(wire.a);
    // The peer opens too, under a token of its own; its answer to our opening comes behind that.
    wire.deliver(wire.a, longDatagram(STRANGE, 0, 0x1234, [HELLO]));
    wire.run(wire.nowUs + 2 * MS);
    expect(session(wire.a).peerToken).toBe(STRANGE);
    wire.deliver(wire.a, longDatagram(0, token, nextNumber - 1, [{ type: "no-session" }]));
    expect(session(wire.a).token).not.toBe(token);
    wire.lose = () => false;
    wire.run(wire.nowUs + 5 * S);
    expect(wire.b.received).toEqual([command]);
  });

  it("of an open session that is answered late by NO-SESSION changes nothing", () => {
    const wire = new WiredPair();
    wire.a.send(command);
    wire.run(3 * S);
    const { token } = session(wire.a);
    wire.deliver(wire.a, longDatagram(0, token, token >>> 16, [{ type: "no-session" }]));
    expect(session(wire.a).token).toBe(token);
    expect(session(wire.a).phase).toBe("open");
  });
});

describe("a candidate", () => {
  it("is dropped when its token turns out to be the session's: nothing comes twice", () => {
    const wire = opening();
    const { a } = wire;
    wire.deliver(a, longDatagram(0x0bad_0001, 0, 0x0bad, [HELLO]));
    wire.deliver(a, longDatagram(STRANGE, 0, 0x1234, [HELLO]));
    const candidate = a.peer.candidate?.token ?? 0;
    expect(a.peer.candidate?.peerToken).toBe(STRANGE);
    // The real peer names the session's token, and so refutes the claim.
    const data = dataFrame(0x5678, command);
    wire.deliver(a, longDatagram(STRANGE, session(a).token, 0x1235, [HELLO, data]));
    expect(session(a).peerToken).toBe(STRANGE);
    wire.deliver(a, longDatagram(STRANGE, candidate, 0x1236, [HELLO, data]));
    wire.run(wire.nowUs + MS);
    expect(a.received).toEqual([command]);
    const { head, datagram } = {
      ...readDatagram(wire.log.at(-1)?.datagram as Uint8Array),
      ...wire.log.at(-1),
    };
    expect(head).toMatchObject({ form: "long", tokenFrom: 0, tokenTo: STRANGE });
    expect(frameTypes(datagram as Uint8Array)).toEqual(["no-session"]);
  });
});
