import { readFileSync } from "node:fs";
import { describe, expect, it } from "vitest";
import { dissectDatagram } from "./dissect.js";

const file = new URL("../../../../../test/vectors/sessionless.json", import.meta.url);
const vectors: { readonly name: string; readonly hex: string }[] = JSON.parse(
  readFileSync(file, "utf8"),
);

function told(hex: string): string[] {
  return dissectDatagram(Uint8Array.from(Buffer.from(hex, "hex"))).flatMap(({ fields }) =>
    fields.map(({ name, words }) => `${name}: ${words}`),
  );
}

function vector(name: string): string {
  return vectors.find((each) => each.name === name)?.hex ?? "";
}

describe("datagrams without session, field by field", () => {
  it("tells what a board announces", () => {
    expect(told(vector("ANNOUNCE in pairing mode"))).toEqual([
      "version: version 1",
      "form: without session",
      "reserved: zero",
      "kind: announce",
      "version: speaks version 1",
      "in pairing mode: yes",
      "takes plain sessions: yes",
      "takes protected sessions: yes",
      "reserved: passed over",
      "ways of pairing: cable, code, compare, renew",
      "mtu: takes datagrams of up to 250 bytes",
      "window: takes 8 fragments on each channel",
      "message: messages up to 4,096 bytes",
      "kind length: 11 bytes",
      'kind: "row-station"',
      "name length: 5 bytes",
      'name: "row 4"',
      "crc16: crc e75a good",
    ]);
  });

  it("tells what a query asks for", () => {
    const words = told(vector("QUERY with a map"));
    expect(words).toContain("spread: answer within 0 ms");
    expect(words).toContain("only in pairing mode: no");
    expect(words).toContain("map: boards that were heard need not answer");
    expect(told(vector("QUERY cut short")).join()).toContain("query that is cut short");
  });

  it("tells the steps of a pairing", () => {
    expect(told("6003 01 000000aa 02 0102 0000".replaceAll(" ", ""))).toEqual(
      expect.arrayContaining(["step: OFFER", "exchange: 000000aa", "way: code"]),
    );
    expect(told("600308000000aa070000")).toContain("reason: time is over");
    expect(told("6003080000000000").join()).toContain("pair that is cut short");
  });

  it("says so when a text is not UTF-8", () => {
    expect(told("6001 01 00 00fa 08 00 02 c328 00 0000".replaceAll(" ", ""))).toContain(
      "kind: not UTF-8",
    );
  });
});
