import { Fault, NotApplicable } from "./setup.js";
import { pattern, type Stage } from "./stage.js";

/** What holds before a link is open, after it is closed, and while it is down. */
export const CLOSING_CHECKS = {
  "send before open ends as gone": async (stage: Stage) => {
    const { a, b } = stage;
    await b.open();
    const handover = a.send(b.address, pattern(8, 1));
    await stage.outcomes([handover], "a datagram that was handed over before open");
    const [outcome] = handover.outcomes;
    if (outcome !== "gone") {
      throw new Fault(
        `A datagram that was handed over before open ended as ${outcome}. Say gone while the link is not open.`,
      );
    }
  },

  "nothing leaves before open": async (stage: Stage) => {
    const { a, b } = stage;
    await b.open();
    a.send(b.address, pattern(8, 1));
    await stage.quiet();
    await a.open();
    await stage.quiet();
    if (b.received.length > 0) {
      throw new Fault(
        "A datagram that was handed over before open arrived. Drop it; do not keep it for later.",
      );
    }
  },

  "close ends outstanding sends as gone": async (stage: Stage) => {
    await stage.openAll();
    const { a, b } = stage;
    const places = Math.min(a.link.outstandingMax, 16);
    const handovers = Array.from({ length: places }, (_, i) => a.send(b.address, pattern(8, i)));
    await a.close();
    await stage.outcomes(handovers, "a datagram that was outstanding when the link was closed");
    const other = handovers.find(
      ({ outcomes }) => outcomes[0] !== "gone" && outcomes[0] !== "refused",
    );
    if (other) {
      throw new Fault(
        `A datagram that was outstanding when the link was closed ended as ${other.outcomes[0]}. Let close call done with gone for all that are outstanding.`,
      );
    }
  },

  "send after close ends as gone": async (stage: Stage) => {
    await stage.openAll();
    const { a, b } = stage;
    await a.close();
    const handover = a.send(b.address, pattern(8, 2));
    await stage.outcomes([handover], "a datagram that was handed over after close");
    const [outcome] = handover.outcomes;
    if (outcome !== "gone") {
      throw new Fault(
        `A datagram that was handed over after close ended as ${outcome}. Say gone for whatever comes after close.`,
      );
    }
  },

  "close may be called twice": async (stage: Stage) => {
    await stage.openAll();
    await stage.a.close();
    try {
      await stage.settled(stage.a.link.close(), "its promise never settled");
    } catch (error) {
      throw new Fault(
        `The second close failed with "${error instanceof Error ? error.message : String(error)}". Do nothing when the link is closed already.`,
      );
    }
  },

  "no handler is called after close": async (stage: Stage) => {
    await stage.openAll();
    const { a, b } = stage;
    const send = () => a.send(b.address, pattern(8, 3));
    // Some that are under way when b closes, and one that is sent when b is closed.
    const places = Math.min(a.link.outstandingMax, 4);
    const handovers = Array.from({ length: places }, send);
    await b.close();
    await stage.outcomes(handovers, "a datagram to a station that has closed");
    await stage.outcomes([send()], "a datagram to a station that has closed");
    await stage.quiet();
    if (b.callsAfterClose > 0) {
      throw new Fault(
        "A handler was called after close. Let go of the handlers in close, before anything else.",
      );
    }
  },

  "a link that is down says so, and comes back": async (stage: Stage) => {
    const { a, b, setup } = stage;
    if (!setup.takeDownA || !setup.bringUpA) {
      throw new NotApplicable("The setup has no takeDownA and bringUpA.");
    }
    await stage.openAll();
    await setup.takeDownA();
    await stage.until(
      () => a.statuses.at(-1) === "down",
      'The link went down and did not say so. Call onStatus("down").',
    );
    const handover = a.send(b.address, pattern(8, 4));
    await stage.outcomes([handover], "a datagram that was handed over while the link was down");
    if (handover.outcomes[0] !== "gone") {
      throw new Fault(
        `A datagram that was handed over while the link was down ended as ${handover.outcomes[0]}. Say gone.`,
      );
    }
    await setup.bringUpA();
    await stage.until(
      () => a.statuses.at(-1) === "up",
      'The link came back up and did not say so. Call onStatus("up").',
    );
    await stage.deliver(a, b, pattern(8));
    await stage.deliver(b, a, pattern(8));
  },
};
