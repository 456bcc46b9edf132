import { Fault } from "./setup.js";
import { type Handover, nobodyOf, pattern, type Stage, sameBytes } from "./stage.js";

const OUTCOMES = new Set(["sent", "acknowledged", "not-acknowledged", "refused", "gone"]);

/** Beyond so many places a queue is not filled to its end. */
const PLACES_MAX = 65_536;

/** One more than there is room for. */
function overfill(stage: Stage): Handover[] {
  const datagram = pattern(1);
  const places = stage.a.link.outstandingMax;
  return Array.from({ length: places + 1 }, () => stage.a.send(stage.b.address, datagram));
}

/** A send of each kind: usual, too long, to nobody, and to a link that is closed. */
async function sendEachWay(stage: Stage): Promise<Handover[]> {
  await stage.openAll();
  const { a, b } = stage;
  const handovers = [a.send(b.address, pattern(8, 1))];
  await stage.outcomes(handovers, "a datagram to b");
  handovers.push(a.send(b.address, new Uint8Array(a.link.mtuBytes + 1)));
  await stage.quiet();
  handovers.push(a.send(nobodyOf(stage), pattern(8, 2)));
  await stage.quiet();
  await a.close();
  handovers.push(a.send(b.address, pattern(8, 3)));
  await stage.quiet();
  return handovers;
}

/** What `send` and `done` promise to the owner of the link. */
export const SENDING_CHECKS = {
  "done is never called from inside send": async (stage: Stage) => {
    const handovers = await sendEachWay(stage);
    if (handovers.some(({ wasInsideSend }) => wasInsideSend)) {
      throw new Fault(
        "done was called from inside send. Call it in a later task, also for refused and gone (queueMicrotask, setTimeout, the device's own callback).",
      );
    }
  },

  "done is called exactly once": async (stage: Stage) => {
    const handovers = await sendEachWay(stage);
    const often = handovers.find(({ outcomes }) => outcomes.length > 1);
    if (often) {
      throw new Fault(
        `done was called ${often.outcomes.length} times for one datagram (${often.outcomes.join(", ")}). Forget it when it has been called.`,
      );
    }
  },

  "done is called once for what close interrupts": async (stage: Stage) => {
    await stage.openAll();
    const { a, b } = stage;
    const places = Math.min(a.link.outstandingMax, 4);
    const handovers = Array.from({ length: places }, () => a.send(b.address, pattern(8)));
    await a.close();
    await stage.quiet();
    const often = handovers.find(({ outcomes }) => outcomes.length > 1);
    if (often) {
      throw new Fault(
        `done was called ${often.outcomes.length} times (${often.outcomes.join(", ")}) for a datagram under way when the link was closed. Forget what is outstanding when close reports it as gone.`,
      );
    }
  },

  "done gives one of the five outcomes": async (stage: Stage) => {
    for (const { outcomes } of await sendEachWay(stage)) {
      const strange = outcomes.find((outcome) => !OUTCOMES.has(outcome));
      if (strange !== undefined) {
        throw new Fault(
          `done was called with "${String(strange)}". The outcomes are ${[...OUTCOMES].join(", ")}.`,
        );
      }
    }
  },

  "a datagram that arrives was sent or acknowledged": async (stage: Stage) => {
    await stage.openAll();
    const handover = stage.a.send(stage.b.address, pattern(8, 4));
    await stage.outcomes([handover], "a datagram to b");
    const [outcome] = handover.outcomes;
    if (outcome === "refused" || outcome === "gone" || outcome === "not-acknowledged") {
      throw new Fault(
        `The only datagram on an open link ended as ${outcome}. Say acknowledged if the neighbour confirmed it at link level, and sent if the link cannot tell.`,
      );
    }
  },

  "outcomes come in the order of handing over": async (stage: Stage) => {
    await stage.openAll();
    const order: number[] = [];
    const places = Math.min(stage.a.link.outstandingMax, 16);
    // Long ones first: a link that reports each when its own time is over gets it wrong.
    const handovers = Array.from({ length: places }, (_, i) => {
      const bytes = i % 2 === 0 ? stage.a.link.mtuBytes : 1;
      return stage.a.send(stage.b.address, pattern(bytes, i), () => order.push(i));
    });
    await stage.outcomes(handovers, "each of several datagrams at once");
    const taken = order.filter((i) => handovers[i]?.outcomes[0] !== "refused");
    const wrong = taken.findIndex((i, place) => place > 0 && i < (taken[place - 1] as number));
    if (wrong >= 0) {
      throw new Fault(
        `The outcome of datagram ${taken[wrong]} came after that of datagram ${taken[wrong - 1]}. Send and report in the order in which datagrams were handed over: one queue, first in, first out.`,
      );
    }
  },

  "outstandingMax datagrams are taken at once": async (stage: Stage) => {
    await stage.openAll();
    const { outstandingMax } = stage.a.link;
    const handovers = Array.from({ length: Math.min(outstandingMax, PLACES_MAX) }, () =>
      stage.a.send(stage.b.address, pattern(1)),
    );
    await stage.outcomes(handovers, "each of outstandingMax datagrams");
    const refused = handovers.filter(({ outcomes }) => outcomes[0] === "refused").length;
    if (refused > 0) {
      throw new Fault(
        `${refused} of ${outstandingMax} datagrams were refused, although outstandingMax is ${outstandingMax}. Lower outstandingMax to what the queue holds, or make the queue longer.`,
      );
    }
  },

  "more than outstandingMax is refused": async (stage: Stage) => {
    const { outstandingMax } = stage.a.link;
    if (outstandingMax > PLACES_MAX) return;
    await stage.openAll();
    const handovers = overfill(stage);
    await stage.outcomes(handovers, "each of outstandingMax + 1 datagrams");
    const outcome = handovers.at(-1)?.outcomes[0];
    if (outcome !== "refused") {
      throw new Fault(
        `One datagram more than outstandingMax (${outstandingMax}) ended as ${outcome}. Count what is outstanding, and say refused for what is too much.`,
      );
    }
  },

  "what is refused does not leave": async (stage: Stage) => {
    if (stage.a.link.outstandingMax > PLACES_MAX) return;
    await stage.openAll();
    const handovers = overfill(stage);
    await stage.outcomes(handovers, "each of outstandingMax + 1 datagrams");
    const taken = handovers.filter(({ outcomes }) => outcomes[0] !== "refused").length;
    await stage.quiet();
    await stage.quiet();
    if (stage.b.received.length > taken) {
      throw new Fault(
        `${stage.b.received.length} datagrams arrived, but only ${taken} were taken: the others were refused. Drop what is refused; its owner sends it again.`,
      );
    }
  },

  "a place is free again when done is called": async (stage: Stage) => {
    const { a, b } = stage;
    const { outstandingMax } = a.link;
    if (outstandingMax > PLACES_MAX) return;
    await stage.openAll();
    const next: Handover[] = [];
    const full = Array.from({ length: outstandingMax }, () =>
      a.send(b.address, pattern(1), (outcome) => {
        if (outcome !== "refused") next.push(a.send(b.address, pattern(1)));
      }),
    );
    await stage.outcomes(full, "each of outstandingMax datagrams");
    await stage.outcomes(next, "a datagram that was handed over inside done");
    if (next.some(({ outcomes }) => outcomes[0] === "refused")) {
      throw new Fault(
        "A datagram that was handed over inside done was refused. Free the place of the one that is through before calling its done.",
      );
    }
  },

  "a datagram longer than mtuBytes is refused": async (stage: Stage) => {
    await stage.openAll();
    const { a, b } = stage;
    const { mtuBytes } = a.link;
    const handover = a.send(b.address, pattern(mtuBytes + 1, 5));
    await stage.outcomes([handover], "a datagram that is too long");
    const [outcome] = handover.outcomes;
    if (outcome !== "refused") {
      throw new Fault(
        `A datagram of mtuBytes + 1 bytes (${mtuBytes + 1}) ended as ${outcome}. Compare its length with mtuBytes in send, and say refused.`,
      );
    }
    await stage.quiet();
    if (b.received.length > 0) {
      throw new Fault(
        "A datagram longer than mtuBytes was refused and arrived all the same. Drop it.",
      );
    }
  },

  "a datagram to nobody gets its outcome": async (stage: Stage) => {
    await stage.openAll();
    const handover = stage.a.send(nobodyOf(stage), pattern(8, 6));
    await stage.outcomes([handover], "a datagram to an address that no station has");
    const [outcome] = handover.outcomes;
    if (outcome === "acknowledged" || outcome === "refused" || outcome === "gone") {
      throw new Fault(
        `A datagram to an address that no station has ended as ${outcome}. Say not-acknowledged if the link can tell, else sent: an absent neighbour is no fault of the link.`,
      );
    }
  },

  "the owner's bytes are left as they are": async (stage: Stage) => {
    await stage.openAll();
    const { a, b } = stage;
    const to = b.address.slice();
    const datagram = pattern(a.link.mtuBytes, 8);
    const handover = a.send(to, datagram);
    await stage.outcomes([handover], "a datagram to b");
    await stage.quiet();
    if (!sameBytes(datagram, pattern(datagram.length, 8)) || !sameBytes(to, b.address)) {
      throw new Fault(
        "The link wrote into the address or the datagram that it was given. Copy first what has to be changed.",
      );
    }
  },
};
