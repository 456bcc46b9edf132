import { describe, expect, it } from "vitest";
import { CHANNEL_RESULTS, OUTCOMES } from "../../packages/serial-bridge/src/bridge-frame-codec.js";
import {
  decodeBridgeFrame,
  decodeHostFrame,
} from "../../packages/serial-bridge/src/bridge-frames.js";
import {
  type BridgeStatistics,
  statisticsOf,
} from "../../packages/serial-bridge/src/bridge-statistics.js";
import { COBS_DELIMITER } from "../../packages/serial-bridge/src/cobs.js";
import { TYPE, TYPE_NAMES } from "../../packages/serial-bridge/src/frame-types.js";
import { QUESTION_TIMES_MAX } from "../../packages/serial-bridge/src/host/question.js";
import * as limits from "../../packages/serial-bridge/src/limits.js";
import { SLIP_END } from "../../packages/serial-bridge/src/slip.js";
import { readDocument, table } from "./markdown.js";

const document = readDocument("packages/serial-bridge/BRIDGE.md");
const text = document.replace(/\s+/g, " ");

/** `250000` as `250 ms`, `3000000` as `3 s`. */
function time(us: number): string {
  return us % 1e6 === 0 ? `${us / 1e6} s` : `${us / 1e3} ms`;
}

function hex(byte: number): string {
  return byte.toString(16).padStart(2, "0").toUpperCase();
}

describe("BRIDGE.md agrees with the code", () => {
  it("about the types of frames, their names, and who sends them", () => {
    const rows = table(document, "type").map(([type = "", from, name = ""]) => {
      const number = Number.parseInt(type, 16);
      return [number, from, name.replace(/^\[(.*)\]\(.*\)$/, "$1")];
    });
    const expected = Object.values(TYPE).map((type) => {
      const body = Uint8Array.of(type);
      const isUnknown = (decoded: { ok: boolean; fault?: string }) =>
        !decoded.ok && decoded.fault === "unknown-type";
      const isOfHost = !isUnknown(decodeHostFrame(body, 6, undefined));
      expect(isUnknown(decodeBridgeFrame(body, 6, undefined))).toBe(isOfHost);
      return [type, isOfHost ? "host" : "bridge", TYPE_NAMES.get(type)];
    });
    expect(rows).toEqual(expected);
  });

  it("about the type in each drawing of a frame", () => {
    // The drawing names the type in its first cell, the heading above it the frame.
    const sections = document.split(/^### /m).slice(1);
    const drawn = new Map<string, string[]>();
    for (const section of sections) {
      const heading = section.slice(0, section.indexOf("\n"));
      const types = [...heading.matchAll(/\(?\b([08]\d)\b[,)]/g)].map(([, type]) => type ?? "");
      const cells = [...section.matchAll(/^ {2}\| ([08]\d)(?: \/ ([08]\d))? +\| /gm)];
      drawn.set(heading, types);
      for (const [, one, other] of cells) {
        for (const type of [one, other]) if (type) expect(types, heading).toContain(type);
      }
      for (const type of types) {
        const name = TYPE_NAMES.get(Number.parseInt(type, 16));
        expect(heading).toContain(name ?? "no such type");
      }
    }
    const all = [...drawn.values()].flat().sort();
    expect(all).toEqual([...TYPE_NAMES.keys()].map((type) => hex(type)));
  });

  it("about outcomes", () => {
    const meanings: Record<(typeof OUTCOMES)[number], string> = {
      sent: "sent; nothing is known about its arrival",
      acknowledged: "acknowledged by the neighbour",
      "not-acknowledged": "not acknowledged by the neighbour",
      "queue-full": "the queue was full; did not leave",
      "lost-on-line": "lost on the line before the bridge; did not leave",
      unknown: "unknown: the radio never said",
      "not-taken": "the radio did not take it; did not leave",
    };
    const rows = table(document, "outcome").map(([number, meaning]) => [number, meaning]);
    expect(rows).toEqual(OUTCOMES.map((outcome, index) => [`${index + 1}`, meanings[outcome]]));
  });

  it("about what becomes of CHANNEL?", () => {
    expect(CHANNEL_RESULTS).toEqual(["set", "not-allowed", "busy", "cannot"]);
    expect(text).toMatch(
      /\*\*result\*\*: 0 set, 1 not allowed \(.*?\), 2 busy \(.*?\), 3 cannot be set\./,
    );
  });

  it("about the counts of STATISTICS", () => {
    const meanings: Record<keyof BridgeStatistics, string> = {
      uptimeS: "seconds since boot",
      framesReceived: "good frames from the host",
      framesDamaged: "damaged frames from the host, noise included",
      framesUnknown: "frames of unknown type",
      datagramsSent: "datagrams handed to the radio",
      datagramsAcknowledged: "of them acknowledged by the neighbour",
      datagramsNotAcknowledged: "of them not acknowledged by the neighbour",
      datagramsRefused: "datagrams refused: the queue was full, or by the radio",
      datagramsLostOnLine: "datagrams lost on the line, as the tokens show",
      datagramsHeard: "datagrams heard by the radio",
      datagramsDropped: "of them dropped because the line was too slow",
      peersPutOut: "peers put out of the radio's table to make room",
      radioSilences: "times that the radio never said what became of a datagram",
    };
    const rows = table(document, "index");
    const counts = statisticsOf(rows.map((_, index) => index));
    const expected = Object.entries(counts).map(([name, index]) => [
      `${index}`,
      meanings[name as keyof BridgeStatistics],
    ]);
    expect(rows).toEqual(expected);
    expect(Object.keys(statisticsOf(new Array(100).fill(0)))).toHaveLength(rows.length);
  });

  it("about the times and limits of section 12", () => {
    const { HOST_BODY_BYTES_MIN, BRIDGE_BODY_BYTES_MIN, STATUS_AFTER_US } = limits;
    const expected: Record<string, string> = {
      "longest body to the bridge": `mtuBytes + A + 2 (a SEND), at least ${BRIDGE_BODY_BYTES_MIN}`,
      "longest body to the host": `mtuBytes + A + 3 (a RECEIVED), at least ${HOST_BODY_BYTES_MIN}`,
      "HELLO? repeated, until answered": `every ${time(limits.HELLO_REPEAT_US)}`,
      "no HELLO at one bit rate": time(limits.ANSWER_US),
      "outcome of the oldest token stays away, then STATUS?": `${time(STATUS_AFTER_US)} + twice`,
      "nothing heard from the bridge, then STATUS?": time(limits.IDLE_QUESTION_US),
      "no good frame after a question: link down": time(limits.SILENCE_US),
      "a port that takes no bytes: link down": time(limits.SILENCE_US),
      "CHANNEL?, STATISTICS? repeated": `every ${time(limits.CHANNEL_REPEAT_US)}, ${QUESTION_TIMES_MAX} times`,
      "a port that is gone is opened again after": `${limits.REOPEN_US / 1e6} s, doubled each time up to ${time(limits.REOPEN_US_MAX)}`,
      "bridge: no good frame from the host ends the session": time(limits.HOST_SILENCE_US),
      "bridge: the radio does not say what became": time(limits.RADIO_SILENCE_US),
    };
    const stated = new Map(
      table(document.slice(document.indexOf("## 12")), "what").map(([what = "", value = ""]) => [
        what,
        value,
      ]),
    );
    for (const [what, value] of Object.entries(expected)) {
      expect(stated.get(what)?.slice(0, value.length), what).toBe(value);
    }
    // What repeats another row has no number of its own.
    const numbered = [...stated].filter(([, value]) => /\d/.test(value)).map(([what]) => what);
    expect(numbered.filter((what) => !(what in expected))).toEqual([]);
  });

  it("about what it states in prose", () => {
    const { MTU_BYTES_MIN, MTU_BYTES_MAX, QUEUE_MAX, ADDRESS_BYTES_MAX } = limits;
    for (const sentence of [
      `# The bridge protocol, version ${limits.VERSION_MAX}`,
      `told by the bridge: 1 to ${ADDRESS_BYTES_MAX} bytes`,
      `the byte ${hex(COBS_DELIMITER)}`,
      `the delimiter is ${hex(SLIP_END)}`,
      `**mtuBytes**: largest datagram, ${MTU_BYTES_MIN} to ${MTU_BYTES_MAX}.`,
      `datagrams it holds, 1 to ${QUEUE_MAX}.`,
      `for people; 0 to ${limits.NAME_BYTES_MAX} bytes`,
      `Text of at most ${limits.LOG_BYTES_MAX} bytes`,
      `short frame for at most ${limits.AGAIN_MAX} frames`,
      `that nobody asked for has at most ${limits.UNASKED_OUTCOMES_MAX}.`,
      `at most once in ${time(limits.UNASKED_HELLO_US)}`,
      `it has got no good frame for ${time(limits.HOST_SILENCE_US)}`,
      `repeats HELLO? every ${time(limits.HELLO_REPEAT_US)}`,
      `what became of a datagram within ${time(limits.RADIO_SILENCE_US)}: outcome 6`,
    ]) {
      expect(text).toContain(sentence);
    }
    expect(limits.VERSION_MIN).toBe(1);
  });
});
