import fc from "fast-check";
import { describe, expect, it } from "vitest";
import { DEFAULT_SETTINGS } from "../run/defaults.js";
import { EXAMPLES } from "../run/examples.js";
import { settingsFromQuery, settingsToQuery } from "../run/query.js";
import { comparisonFromQuery, comparisonToQuery } from "./comparison-query.js";

describe("the query of two settings", () => {
  it("comes back as it went in", () => {
    const setting = fc.constantFrom(...EXAMPLES.map(({ settings }) => settings), DEFAULT_SETTINGS);
    fc.assert(
      fc.property(setting, fc.option(setting, { nil: undefined }), (a, b) => {
        const text = comparisonToQuery(
          settingsToQuery(a),
          b === undefined ? undefined : settingsToQuery(b),
        );
        const read = comparisonFromQuery(text);
        expect(settingsFromQuery(read.a).settings).toEqual(a);
        expect(read.b === undefined ? undefined : settingsFromQuery(read.b).settings).toEqual(b);
      }),
    );
  });

  it("says that there is a second setting even if that is all defaults", () => {
    expect(comparisonToQuery("loss=0.3", "")).toBe("loss=0.3&b");
    expect(comparisonFromQuery("loss=0.3&b")).toEqual({ a: "loss=0.3", b: "" });
    expect(comparisonFromQuery("b=")).toEqual({ a: "", b: "" });
  });

  it("is empty for the defaults alone", () => {
    expect(comparisonToQuery("", undefined)).toBe("");
    expect(comparisonFromQuery("")).toEqual({ a: "", b: undefined });
  });

  it("takes any text", () => {
    fc.assert(
      fc.property(fc.string(), (text) => {
        const { a, b } = comparisonFromQuery(text);
        expect(a.split("&").some((pair) => pair.startsWith("b."))).toBe(false);
        settingsFromQuery(a);
        if (b !== undefined) settingsFromQuery(b);
      }),
    );
  });
});
