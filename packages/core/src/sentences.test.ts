import { describe, expect, it } from "vitest";
import type { FardelErrorCode } from "./protocol/errors.js";
import { abortError, sentenceFor } from "./sentences.js";

const CODES: readonly FardelErrorCode[] = [
  "aborted",
  "damaged",
  "deadline-passed",
  "endpoint-closed",
  "invalid-option",
  "link-failed",
  "message-too-large",
  "not-answered",
  "peer-closed",
  "peer-restarted",
  "peer-unreachable",
  "queue-full",
  "refused-by-peer",
  "request-failed",
  "sender-gave-up",
];

describe("sentences", () => {
  it("are whole sentences, one for each code", () => {
    const sentences = CODES.map((code) => sentenceFor(code));
    for (const sentence of sentences) expect(sentence).toMatch(/^[A-Z].*\.$/);
    expect(new Set(sentences).size).toBe(CODES.length);
  });

  it("tell why a peer refused; unknown reasons are treated as not wanted", () => {
    const say = (reason?: number) => sentenceFor("refused-by-peer", reason);
    expect(say(1)).toContain("larger");
    expect(say(4)).toContain("reader");
    expect([say(2), say(77), say()]).toEqual(new Array(3).fill(say(2)));
    // The reason means something only there.
    expect(sentenceFor("damaged", 1)).toBe(sentenceFor("damaged"));
  });

  it("of an abort bear the caller's reason", () => {
    const controller = new AbortController();
    controller.abort("frost is over");
    expect(abortError(controller.signal, "none")).toMatchObject({
      code: "aborted",
      delivery: "none",
      cause: "frost is over",
    });
    expect(abortError(undefined, "unknown").cause).toBeUndefined();
  });
});
