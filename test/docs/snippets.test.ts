import { mkdtempSync, readdirSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { readDocument, root, snippets } from "./markdown.js";
import { runSnippet } from "./run-snippet.js";

const DOCUMENTS = [
  "README.md",
  "packages/core/PROTOCOL.md",
  ...readdirSync(join(root, "packages"))
    .flatMap((name) => readdirSync(join(root, "packages", name)).map((file) => `${name}/${file}`))
    .filter((path) => path.endsWith("/README.md"))
    .map((path) => `packages/${path}`),
];
const all = DOCUMENTS.flatMap((document) =>
  snippets(readDocument(document)).map((snippet) => ({ document, ...snippet })),
);
let folder = "";

beforeAll(() => {
  folder = mkdtempSync(join(tmpdir(), "fardel-docs-"));
});
afterAll(() => rmSync(folder, { recursive: true, force: true }));

describe("programs in the documents run", () => {
  it("and there are some", () => {
    expect(all.filter(({ document }) => document === "README.md").length).toBeGreaterThanOrEqual(3);
  });

  it.each(all)("$document, line $line", async ({ code, output }) => {
    const { status, stdout, stderr } = await runSnippet(code, folder);
    expect(stderr).toBe("");
    expect(status).toBe(0);
    if (output !== undefined) expect(stdout).toBe(output);
  });

  it("the first one of the README is examples/quickstart.ts", () => {
    expect(snippets(readDocument("README.md"))[0]?.code).toBe(
      readDocument("examples/quickstart.ts"),
    );
  });
});

describe("the test itself", () => {
  it("sees a program that fails, and one that prints something else", async () => {
    expect((await runSnippet("process.exitCode = 3;", folder)).status).toBe(3);
    expect((await runSnippet("console.log(1 as number);", folder)).stdout).toBe("1\n");
    await expect(runSnippet('import "@fardel/nothing";', folder)).rejects.toThrow("nothing");
  });

  it("finds programs and what they print", () => {
    const document =
      "a\n```ts\none\n```\nso:\n```text\nout\n```\n\n```ts\ntwo\n```\n```sh\nls\n```\n";
    expect(snippets(document)).toEqual([
      { line: 3, code: "one\n", output: "out\n" },
      { line: 11, code: "two\n", output: undefined },
    ]);
    expect(() => snippets("```ts\nno end\n")).toThrow("has no end");
  });
});
