import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { BLOCK_BYTES_MAX } from "../src/block-splitter.js";
import { encodeDescription } from "../src/description.js";
import { ADDRESS_BYTES_MAX, encodePseudoHeader, PSEUDO_BYTES_MAX } from "../src/pseudo-header.js";
import { TEXT_BYTES_MAX } from "../src/writer.js";

const read = (name: string) => readFileSync(new URL(`../${name}`, import.meta.url), "utf8");
const DOCUMENT = read("CAPTURE.md");
const row = (name: string) =>
  new RegExp(`^\\| ${name} +\\| ([^|]*?) +\\|`, "m").exec(DOCUMENT)?.[1];

describe("CAPTURE.md", () => {
  it("has the limits of the code", () => {
    expect(row("block that is read")).toBe(`${BLOCK_BYTES_MAX / 1024} KiB`);
    expect(row("address")).toBe(String(ADDRESS_BYTES_MAX));
    expect(row("comment, name of link")).toBe(TEXT_BYTES_MAX.toLocaleString("en"));
    expect(DOCUMENT).toContain(`SnapLen = MTU + ${PSEUDO_BYTES_MAX}`);
  });

  it("shows a description of a link as it is written", () => {
    const startedAt = new Date("2026-04-18T03:20:00.000Z");
    const localAddress = Uint8Array.of(2, 0, 0, 0, 0, 1);
    const head = { link: "", mtuBytes: 250, startedAt, localAddress };
    expect(DOCUMENT).toContain(`\`${encodeDescription(head)}\``);
  });

  it("has every byte of the pseudo-header where it is", () => {
    const header = encodePseudoHeader({
      atUs: 0,
      direction: "sent",
      bytes: new Uint8Array(0),
      outcome: "refused",
      rssiDbm: -61.5,
      radioChannel: 6,
      tookUs: 1280,
      from: Uint8Array.of(0xaa),
      to: Uint8Array.of(0xbb, 0xbc),
      fate: "lost",
    });
    expect(Buffer.from(header).toString("hex")).toBe(
      ["01", "16", "1e", "04", "e7fa", "0006", "01", "02", "04", "00000500", "aa", "bbbc"].join(
        "",
      ) + Buffer.from("lost").toString("hex"),
    );
  });

  it("names only fields that the dissector has", () => {
    const script = read("dissector/fardel.lua");
    const names = [...DOCUMENT.matchAll(/fardel\.([a-z_]+\.[a-z_]+|text)\b/g)].map(
      ([, name]) => name,
    );
    expect(names.length).toBeGreaterThan(4);
    for (const name of names.filter((each) => each !== "lua"))
      expect(script.includes(`"${name}"`) || name === "ack.next").toBe(true);
  });
});
