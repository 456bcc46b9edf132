import { existsSync, readdirSync, readFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { presets } from "@fardel/lossy-link";
import { DEPTH_MAX } from "@fardel/msgpack";
import { describe, expect, it } from "vitest";
import {
  CHANNEL_RANGES,
  FRAGMENT_WINDOW_MAX,
  PRIORITY_RANK,
} from "../../packages/core/src/protocol/channels.js";
import { DEFAULT_CONFIG } from "../../packages/core/src/protocol/config.js";
import { DEADLINE_MS } from "../../packages/core/src/send-options.js";
import {
  CRC_BYTES,
  dataFrameBytes,
  MTU_BYTES_MIN,
  SHORT_HEAD_BYTES,
} from "../../packages/core/src/wire/index.js";
import { prose, readDocument, root, table } from "./markdown.js";

const readme = readDocument("README.md");
const text = prose(readme).replace(/\s+/g, " ");
const manifest = (folder: string) =>
  JSON.parse(readFileSync(join(root, folder, "package.json"), "utf8"));

/** What a full datagram of a blob spends on the protocol. */
const protocolBytes =
  SHORT_HEAD_BYTES +
  CRC_BYTES +
  dataFrameBytes(0, { first: false, last: false, withLength: false, total: 0 });
const { mtuBytes } = presets.reference();
const grouped = (value: number) => String(value).replace(/\B(?=(?:\d{3})+$)/g, ",");

/** Every statement of the README with a figure in it, made from the code that holds the figure. */
const STATEMENTS: readonly string[] = [
  `frames of at most ${mtuBytes} bytes`,
  `Node ${manifest(".").engines.node.replace(">=", "")} or later`,
  `They are version ${manifest("packages/core").version}.`,
  `the datagrams that the link has already: ${DEFAULT_CONFIG.linkDepth} unless`,
  // ITU-T X.25 CRC: distance 4 to 32,751 bits, 16 check bits; PROTOCOL.md, section 12.
  "CRC-16 finds every damage of up to 3 bits and every burst of up to 16 bits in a datagram; of other damage it lets one in 65,536 pass",
  "have a CRC-32 over the whole",
  `\`ordered\` has channels 0 to ${CHANNEL_RANGES.ordered.count - 1}, the others 0 to ${CHANNEL_RANGES.unordered.count - 1} each`,
  `default ${DEADLINE_MS / 60_000} minutes`,
  `link's \`mtuBytes\`, ${MTU_BYTES_MIN} to 65535`,
  `spends ${protocolBytes} bytes on the protocol: of ${mtuBytes} bytes ${mtuBytes - protocolBytes} are yours, of ${MTU_BYTES_MIN} bytes ${MTU_BYTES_MIN - protocolBytes}.`,
  `1 to ${FRAGMENT_WINDOW_MAX}, default ${DEFAULT_CONFIG.window}.`,
  `${DEFAULT_CONFIG.window} × ${mtuBytes} bytes are ${grouped(DEFAULT_CONFIG.window * mtuBytes)}, 8 × ${mtuBytes} are ${grouped(8 * mtuBytes)}.`,
  "A board with little memory takes 8;",
  `Nothing was heard for ${DEFAULT_CONFIG.unreachableUs / 1e6} s`,
  "PROTOCOL.md, section 12",
  "exits with 0",
];

describe("the README's figures", () => {
  it.each(STATEMENTS)("%s", (statement) => {
    expect(text).toContain(statement);
  });

  it("are all among those statements", () => {
    const known = STATEMENTS.reduce((rest, statement) => rest.replaceAll(statement, ""), text)
      // Numbers of the promises, and what is to be typed.
      .replace(/(?<= )[1-8]\. \*\*/g, "")
      .replace(/`[^`]*`/g, "");
    expect(known.match(/.{0,40}\d.{0,40}/g) ?? []).toEqual([]);
  });

  it("name the ways, channels and priorities that there are", () => {
    const ways = table(readme, "`way`").map(([way]) => /`(\w+)`/.exec(way ?? "")?.[1]);
    const { exchange: _exchange, ...ranges } = CHANNEL_RANGES;
    expect(ways).toEqual(Object.keys(ranges));
    const { ordered: _ordered, ...others } = ranges;
    expect(new Set(Object.values(others).map(({ count }) => count)).size).toBe(1);
    for (const priority of Object.keys(PRIORITY_RANK)) expect(text).toContain(`\`${priority}\``);
  });

  it("are eight promises, as in PROTOCOL.md", () => {
    const promises = readme.match(/^\d\. \*\*/gm) ?? [];
    expect(promises).toHaveLength(
      table(readDocument("packages/core/PROTOCOL.md"), "promise").length,
    );
  });

  it("name the tool that the workspace uses", () => {
    expect(text).toContain(`npx --yes ${manifest(".").packageManager} pack`);
  });
});

describe("the README's table of errors", () => {
  it("has each code of FardelErrorCode, and no other", () => {
    const source = readDocument("packages/core/src/protocol/errors.ts");
    const union = /export type FardelErrorCode =([^;]*);/.exec(source)?.[1] ?? "";
    const codes = [...union.matchAll(/"([a-z-]+)"/g)].map(([, code]) => code);
    expect(codes.length).toBeGreaterThan(10);
    const named = table(readme, "code").map(([code]) => code?.replaceAll("`", ""));
    expect(named.sort()).toEqual(codes.sort());
  });

  it("says of each when it comes", () => {
    for (const [code, when] of table(readme, "code")) expect(when, code).toMatch(/\.$/);
  });
});

describe("documents", () => {
  const packages = readdirSync(join(root, "packages")).filter((name) =>
    existsSync(join(root, "packages", name, "package.json")),
  );
  const paths = ["README.md", ...packages.map((name) => `packages/${name}/README.md`)];

  it.each(packages)("there is one for the package %s, and the README has it", (name) => {
    expect(existsSync(join(root, "packages", name, "README.md"))).toBe(true);
    expect(readme).toContain(`(packages/${name}/README.md)`);
    expect(readDocument(`packages/${name}/README.md`)).toContain(
      `# ${manifest(`packages/${name}`).name}\n`,
    );
  });

  it.each(paths)("the links of %s lead somewhere", (path) => {
    const document = readDocument(path);
    for (const [, target = ""] of document.matchAll(/\]\(([^)]+)\)/g)) {
      const [file = "", anchor] = target.split("#");
      const at = file === "" ? path : join(dirname(path), file);
      expect(existsSync(join(root, at)), target).toBe(true);
      if (anchor === undefined) continue;
      const anchors = readDocument(at)
        .split("\n")
        .filter((line) => line.startsWith("#"))
        .map((line) =>
          line
            .replace(/^#+ /, "")
            .toLowerCase()
            .replace(/[^\w -]/g, "")
            .replaceAll(" ", "-"),
        );
      expect(anchors, target).toContain(anchor);
    }
  });

  it("packages/msgpack/README.md knows how deep values nest", () => {
    expect(readDocument("packages/msgpack/README.md")).toContain(`at most ${DEPTH_MAX} deep`);
  });
});
