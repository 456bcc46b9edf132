import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { RECORDING_BYTES_MAX } from "../live/live-recording.js";
import {
  CURVE_POINTS_MAX,
  EVENTS_MAX,
  PEERS_SHOWN_MAX,
  TRANSFERS_SHOWN_MAX,
} from "../live/snapshot.js";
import { READERS_MAX } from "./readers.js";
import { TOKEN_BYTES } from "./token.js";

const read = (path: string) =>
  readFileSync(new URL(`../../../${path}`, import.meta.url), "utf8").replaceAll(/\s+/g, " ");

describe("what the documents say of limits", () => {
  it("holds in LIVE.md", () => {
    const text = read("lab/LIVE.md");
    expect(CURVE_POINTS_MAX).toBe(5 * 60);
    expect(text).toContain("curves of the last five minutes");
    expect(text).toContain(`gets the first ${PEERS_SHOWN_MAX} in the order`);
    expect(text).toContain(`up to ${RECORDING_BYTES_MAX / 1024 ** 2} MiB`);
    expect(text).toContain(`token of ${8 * TOKEN_BYTES} random bits`);
  });

  it("holds in TRACE.md of the command", () => {
    const text = read("cli/TRACE.md");
    expect(text).toContain(`token of ${8 * TOKEN_BYTES} random bits`);
    expect(text).toContain(`- ${READERS_MAX} pages can look at once`);
    expect(text).toContain(`shows the first ${PEERS_SHOWN_MAX} peers`);
    expect(text).toContain(`${TRANSFERS_SHOWN_MAX} transfers, and the last ${EVENTS_MAX} events`);
  });
});
