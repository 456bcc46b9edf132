import { expect, it } from "vitest";
import { type OnWire, WiredPair } from "./wired-pair.js";

const MS = 1000;
const S = 1_000_000;

/** A link that says "sent" within microseconds, while a queue behind it puts one datagram on air each millisecond. */
function pairOverQueues(freeUs = new Map<unknown, number>()): WiredPair {
  const wire = new WiredPair({ airUs: 10 });
  wire.lose = ({ from, to, datagram }: OnWire) => {
    const atUs = Math.max(wire.nowUs, freeUs.get(from) ?? 0) + MS;
    freeUs.set(from, atUs);
    const copy = datagram.slice();
    wire.schedule(atUs, () => wire.deliver(to, copy));
    return true;
  };
  return wire;
}

it("an ack condemns nothing that still waits in a queue behind the link (7.2)", () => {
  const wire = pairOverQueues();
  wire.a.send(new Uint8Array(32));
  wire.run(3 * S);
  const blob = wire.a.send(new Uint8Array(60 * 230));
  // Each datagram the other way carries an ack, and tells of what has arrived by then.
  for (let i = 1; i < 60; i++)
    wire.schedule(wire.nowUs + i * MS, () => void wire.b.send(new Uint8Array(32)));
  wire.run(wire.nowUs + 3 * S);
  expect(wire.a.endOf(blob)).toBe("delivered");
  expect(wire.a.peer.statistics.fragmentsRepeated).toBe(0);
});

it("questions that pile up in a queue do not hide the round trip (7.1, 7.4)", () => {
  const freeUs = new Map<unknown, number>();
  const wire = pairOverQueues(freeUs);
  wire.a.send(new Uint8Array(32));
  wire.run(3 * S);
  const { session } = wire.a.peer;
  session?.roundTrip.forget();
  // Something else fills the queue for four seconds, and the peer is heard all the time: questions pile up.
  freeUs.set(wire.a, wire.nowUs + 4 * S);
  for (let i = 1; i < 400; i++)
    wire.schedule(wire.nowUs + i * 10 * MS, () => void wire.b.sendLoose(new Uint8Array(32)));
  wire.a.send(new Uint8Array(32));
  wire.run(wire.nowUs + 10 * S);
  expect(session?.roundTrip.isMeasured).toBe(true);
  expect(session?.roundTrip.smoothedUs).toBeGreaterThan(S);
});
