import type { SendOutcome } from "../link.js";
import { Fault, NotApplicable } from "./setup.js";
import {
  type Arrival,
  type Handover,
  hex,
  nobodyOf,
  pattern,
  type Stage,
  sameBytes,
} from "./stage.js";

/** Datagrams under way at once in the check that sends many. */
const AHEAD_MAX = 64;

const NOT_DONE =
  "done was called for only some of many datagrams. Call it once for each, whatever becomes of it.";
const NOT_ARRIVED =
  "Only some of many datagrams arrived, over a medium without loss. Drop nothing that was taken: make the queue shorter or call done later.";

/** What arrives, where, and how. */
export const DELIVERY_CHECKS = {
  "a datagram of 1 byte arrives intact": async (stage: Stage) => {
    await stage.openAll();
    expectBytes(await stage.deliver(stage.a, stage.b, pattern(1)), pattern(1));
  },

  "a datagram of mtuBytes arrives intact": async (stage: Stage) => {
    await stage.openAll();
    const datagram = pattern(stage.a.link.mtuBytes, 11);
    expectBytes(await stage.deliver(stage.a, stage.b, datagram), datagram);
  },

  "every byte value passes": async (stage: Stage) => {
    await stage.openAll();
    const bytes = Math.min(stage.a.link.mtuBytes, 16);
    for (let first = 0; first < 256; first += bytes) {
      const datagram = Uint8Array.from({ length: bytes }, (_, i) => first + i);
      const arrival = await stage.deliver(stage.a, stage.b, datagram);
      expectBytes(arrival, datagram, " Escape what the transport below treats in a special way.");
    }
  },

  "a datagram inside a larger buffer arrives intact": async (stage: Stage) => {
    await stage.openAll();
    const { a, b } = stage;
    const view = pattern(40, 13).subarray(5, 17);
    const handover = a.send(b.address, view);
    await stage.outcomes([handover], "a datagram inside a larger buffer");
    await stage.until(
      () => b.received.length > 0,
      "A datagram inside a larger buffer never arrived. Heed byteOffset and length of the array.",
    );
    const sent = pattern(40, 13).slice(5, 17);
    expectBytes(
      b.received[0] as Arrival,
      sent,
      " Heed byteOffset and length: a view is not its whole buffer.",
    );
  },

  "the address of the sender is told": async (stage: Stage) => {
    await stage.openAll();
    const { a, b } = stage;
    const { from } = await stage.deliver(a, b, pattern(8));
    if (!sameBytes(from, a.address)) {
      throw new Fault(
        `A datagram from ${hex(a.address)} arrived as coming from ${hex(from)}. Hand the sender's address to onDatagram, in the same form as send takes it.`,
      );
    }
  },

  "the address of the sender can be answered": async (stage: Stage) => {
    await stage.openAll();
    const { a, b } = stage;
    const { from } = await stage.deliver(a, b, pattern(8));
    const handover = b.send(from, pattern(8));
    await stage.outcomes([handover], "an answer");
    await stage.until(
      () => a.received.length > 0,
      "What b sent to the address it had heard from never arrived at a. Hand to onDatagram an address that send accepts.",
    );
  },

  "what is known of a datagram is plausible": async (stage: Stage) => {
    await stage.openAll();
    const { info } = await stage.deliver(stage.a, stage.b, pattern(8));
    if (typeof info !== "object" || info === null) {
      throw new Fault("onDatagram got no info. Pass {} when the link knows nothing.");
    }
    const { rssiDbm, radioChannel } = info;
    if (rssiDbm !== undefined && !(rssiDbm >= -200 && rssiDbm <= 50)) {
      throw new Fault(
        `rssiDbm is ${rssiDbm}. Give dBm, usually -100 to -20 (mind the sign), or leave it out.`,
      );
    }
    if (radioChannel !== undefined && !(Number.isInteger(radioChannel) && radioChannel >= 0)) {
      throw new Fault(
        `radioChannel is ${radioChannel}. Give a whole number of at least 0, or leave it out.`,
      );
    }
  },

  "onDatagram is never called from inside send": async (stage: Stage) => {
    await stage.openAll();
    const { a, b } = stage;
    b.onArrival = (from) => b.send(from.slice(), pattern(8));
    await stage.deliver(a, b, pattern(8));
    await stage.until(() => a.received.length > 0, "An answer from inside onDatagram was lost.");
    if ([...a.received, ...b.received].some(({ wasInsideSend }) => wasInsideSend)) {
      throw new Fault(
        "onDatagram was called from inside send. Hand over what arrives in a later task (queueMicrotask, setTimeout, the device's own callback).",
      );
    }
  },

  "send may be called from inside onDatagram": async (stage: Stage) => {
    await stage.openAll();
    const { a, b } = stage;
    const bytes = Math.min(a.link.mtuBytes, 32);
    let after: Uint8Array | undefined;
    b.onArrival = (from, datagram) => {
      b.send(from.slice(), pattern(bytes, 17));
      after ??= datagram.slice();
    };
    const { bytes: before } = await stage.deliver(a, b, pattern(bytes, 19));
    await stage.until(
      () => a.received.length > 0,
      "A datagram that was handed over inside onDatagram never arrived. Let send queue it.",
    );
    if (!after || !sameBytes(before, after)) {
      throw new Fault(
        "The datagram changed during onDatagram when an answer was sent. Use different buffers for sending and for receiving.",
      );
    }
    expectBytes(a.received[0] as Arrival, pattern(bytes, 17));
  },

  "the owner's bytes are not needed after done": async (stage: Stage) => {
    await stage.openAll();
    const { a, b } = stage;
    const bytes = Math.min(a.link.mtuBytes, 64);
    const datagram = pattern(bytes, 23);
    const to = b.address.slice();
    const handover = a.send(to, datagram, () => {
      datagram.fill(0);
      to.fill(0);
    });
    await stage.outcomes([handover], "a datagram to b");
    const reason =
      " The owner writes into its buffer again when done was called: call done when the bytes are out, or copy them.";
    await stage.until(() => b.received.length > 0, `A datagram never arrived.${reason}`);
    expectBytes(b.received[0] as Arrival, pattern(bytes, 23), reason);
  },

  "many datagrams arrive in order": async (stage: Stage) => {
    await stage.openAll();
    const { received } = stage.b;
    const sent = await sendMany(stage);
    await stage.until(() => received.length >= sent.length, NOT_ARRIVED);
    await stage.quiet();
    const numbers = received.map(({ bytes }) => numberOf(bytes));
    const wrong = numbers.findIndex((number, place) => number !== sent[place]);
    if (wrong >= 0) {
      throw new Fault(
        `Datagram ${numbers[wrong]} arrived where ${sent[wrong] ?? "no more"} was due. Keep one queue in order and send nothing twice (the setup promised a medium that neither loses, repeats nor reorders).`,
      );
    }
  },

  "a datagram to one address reaches no other": async (stage: Stage) => {
    await stage.openAll();
    const { a, b, c } = stage;
    a.send(nobodyOf(stage), pattern(8));
    await stage.quiet();
    if (c) await stage.deliver(a, c, pattern(8));
    await stage.quiet();
    if (b.received.length > 0 || a.received.length > 0) {
      throw new Fault(
        "A station received what was sent to another address. Drop what is for others, or send to the one address.",
      );
    }
  },

  "a broadcast reaches all others": async (stage: Stage) => {
    const to = broadcastAddress(stage);
    await stage.openAll();
    const others = stage.stations.slice(1);
    const datagram = pattern(12, 29);
    for (const other of others) await stage.deliver(stage.a, other, pattern(8));
    const before = others.map(({ received }) => received.length);
    const handover = stage.a.send(to, datagram);
    await stage.outcomes([handover], "a broadcast");
    for (const [i, other] of others.entries()) {
      const place = before[i] as number;
      await stage.until(
        () => other.received.length > place,
        `A broadcast from a did not reach ${other.label}. Send it to all, or leave broadcastAddress out.`,
      );
      const [unicast, broadcast] = [other.received[0], other.received[place]] as [Arrival, Arrival];
      expectBytes(broadcast, pattern(datagram.length, 29));
      if (!sameBytes(broadcast.from, unicast.from)) {
        throw new Fault(
          `A broadcast from a arrived at ${other.label} as coming from ${hex(broadcast.from)}, other datagrams as from ${hex(unicast.from)}. Hand over the sender's address both times.`,
        );
      }
    }
  },

  "a broadcast ends as sent": async (stage: Stage) => {
    const to = broadcastAddress(stage);
    await stage.openAll();
    const handover = stage.a.send(to, pattern(8));
    await stage.outcomes([handover], "a broadcast");
    const [outcome] = handover.outcomes;
    if (outcome !== "sent") {
      throw new Fault(
        `A broadcast ended as ${outcome}. Nobody acknowledges a broadcast: say sent when it has left.`,
      );
    }
  },

  "a broadcast does not come back to its sender": async (stage: Stage) => {
    const to = broadcastAddress(stage);
    await stage.openAll();
    const handover = stage.a.send(to, pattern(8));
    await stage.outcomes([handover], "a broadcast");
    await stage.quiet();
    if (stage.a.received.length > 0) {
      throw new Fault("A station received its own broadcast. Drop what comes from oneself.");
    }
  },
};

/**
 * Numbered datagrams from a to b, as many outstanding as there are places.
 * @returns the numbers that were taken: another check is about what is refused
 */
async function sendMany(stage: Stage): Promise<number[]> {
  const { a, b, datagrams } = stage;
  const handovers: Handover[] = [];
  let places = Math.min(a.link.outstandingMax, 64);
  let outstanding = 0;
  let refused = 0;
  const whenDone = (outcome: SendOutcome) => {
    outstanding--;
    if (outcome === "refused") {
      refused++;
      places = Math.max(1, places - 1);
    }
    // Not from inside done, so that thousands of them need no deep stack.
    queueMicrotask(fill);
  };
  // Not too far ahead of the receiver: what a device buffers for it is limited, too.
  const ahead = () => handovers.length - refused - b.received.length;
  const fill = () => {
    while (handovers.length - refused < datagrams && outstanding < places && ahead() < AHEAD_MAX) {
      outstanding++;
      handovers.push(a.send(b.address, numbered(handovers.length), whenDone));
    }
  };
  b.onArrival = () => queueMicrotask(fill);
  fill();
  await stage.until(
    () => handovers.length - refused >= datagrams,
    () => (outstanding > 0 ? NOT_DONE : NOT_ARRIVED),
  );
  await stage.outcomes(handovers, "each of many datagrams");
  return [...handovers.keys()].filter((i) => handovers[i]?.outcomes[0] !== "refused");
}

/** Four bytes, 6 bits of the number in each: see {@link pattern}. */
function numbered(number: number): Uint8Array {
  return Uint8Array.from([18, 12, 6, 0], (shift) => 0x40 | ((number >> shift) & 0x3f));
}

function numberOf(bytes: Uint8Array): number {
  return bytes.reduce((number, byte) => number * 64 + (byte & 0x3f), 0);
}

function broadcastAddress({ a }: Stage): Uint8Array {
  const { broadcastAddress: address } = a.link;
  if (!address) throw new NotApplicable("The link has no broadcastAddress.");
  return address;
}

function expectBytes({ bytes }: Arrival, sent: Uint8Array, advice = ""): void {
  if (bytes.length !== sent.length) {
    throw new Fault(
      `A datagram of ${sent.length} bytes arrived with ${bytes.length}. Keep its length: pass it on, or send a length with it.${advice}`,
    );
  }
  const at = bytes.findIndex((byte, i) => byte !== sent[i]);
  if (at >= 0) {
    throw new Fault(
      `Byte ${at} of ${sent.length} was sent as ${sent[at]} and arrived as ${bytes[at]}. Pass on the bytes as they are.${advice}`,
    );
  }
}
