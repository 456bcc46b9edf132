import { describe, expect, it } from "vitest";
import { parseScenario } from "../scenario/parse.js";
import { PRESET_NAMES } from "../scenario/schema.js";
import { scenarioWords } from "./scenario-words.js";

const messages = [{ name: "table", from: "gateway", bytes: 2000 }];
const wordsOf = (scenario: object) => {
  return scenarioWords(parseScenario("test", JSON.stringify({ messages, ...scenario })).cases);
};

describe("a scenario in words", () => {
  it("is short where everything is as usual", () => {
    const { link, boards, messages: sent } = wordsOf({});
    expect(link).toEqual([
      "Medium reference: connectionless frames of a 1 Mbit/s radio (IEEE 802.11 DSSS), one at a time on the air, with a mean back-off. Datagrams of at most 250 bytes.",
      "No datagram is lost by chance.",
    ]);
    expect(boards).toEqual([
      "A gateway and 1 board on one channel; they have never spoken before.",
      "Each side takes 64 fragments beyond the first missing one (its window).",
    ]);
    expect(sent).toEqual([
      "table: the gateway sends each board one message of 2,000 bytes, from 0 s on. Priority normal, ordered; failed after 600 s.",
    ]);
  });

  it("names everything that the link does, with all values of lists", () => {
    const { link } = wordsOf({
      link: {
        ...{
          loss: [0, 0.1, 0.2],
          burst: [1, 3],
          duplicate: 0.05,
          reorder: 0.01,
          corrupt: [0, 0.02],
        },
        ...{ mtuBytes: [100, 250], delayMs: 2, jitterMs: [0, 1.5], outages: [[5, 7]] },
      },
    });
    expect(link.slice(1)).toEqual([
      "0 %, 10 % or 20 % of the datagrams are lost, each way: each for itself or 3 in a row on the mean.",
      "5 % of the datagrams arrive twice.",
      "1 % of the datagrams are held up by up to three full frames, so that later ones overtake them.",
      "0 % or 2 % of the datagrams arrive with one to three bits flipped.",
      "A datagram arrives 2 ms after it left the air.",
      "At random it takes up to 0 or 1.5 ms more.",
      "Nothing gets through from 5 s to 7 s.",
    ]);
    expect(link[0]).toContain("Datagrams of at most 100 or 250 bytes.");
    expect(wordsOf({ link: { loss: 0.1, burstMs: 40 } }).link[1]).toBe(
      "10 % of the datagrams are lost, each way: for 40 ms at a stretch on the mean.",
    );
  });

  it("tells when messages are sent, and how many", () => {
    const reading = { from: "board", bytes: [12, 24], way: "latest", spreadS: 2, everyS: 0.5 };
    const { messages: sent, boards } = wordsOf({
      boards: [1, 12],
      messages: [{ ...reading, name: "temperature", count: 30, deadlineS: 5, atS: 3, channel: 2 }],
    });
    expect(boards[0]).toContain("A gateway and 1 or 12 boards");
    expect(sent).toEqual([
      "temperature: each board sends the gateway 30 messages of 12 or 24 bytes, one every 0.5 s, from 3 s on, each board later by up to 2 s. Priority normal, latest, channel 2; failed after 5 s.",
    ]);
  });

  it("has words for every medium", () => {
    const { link } = wordsOf({ link: { preset: [...PRESET_NAMES] } });
    for (const name of PRESET_NAMES) expect(link.join(" ")).toContain(`Medium ${name}: `);
  });
});
