import { createHash } from "node:crypto";
import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { afterAll, beforeAll, describe, expect, it } from "vitest";
import { LabServerError } from "./lab-server-error.js";
import { policyFor, readPage } from "./page-file.js";

const digest = (text: string) => createHash("sha256").update(text).digest("base64");

describe("policyFor", () => {
  it("lets the scripts of the page run, by their digests, and no other", () => {
    const html =
      '<head><script type="module" crossorigin>const a = "<script";\n</script></head><script>b()</script>';
    const policy = policyFor(html);
    expect(policy).toContain(
      `script-src 'sha256-${digest('const a = "<script";\n')}' 'sha256-${digest("b()")}';`,
    );
    expect(policy).not.toMatch(/script-src[^;]*unsafe/);
    expect(policy).toContain("default-src 'none'");
    expect(policy).toContain("frame-ancestors 'none'");
  });

  it("lets none run where there is none", () => {
    expect(policyFor("<p>")).toContain("script-src 'none'");
  });
});

describe("readPage", () => {
  let folder = "";
  beforeAll(async () => {
    folder = await mkdtemp(join(tmpdir(), "fardel-page-"));
  });
  afterAll(() => rm(folder, { recursive: true }));

  it("tells the page who serves it", async () => {
    const file = join(folder, "index.html");
    await writeFile(file, '<html><head lang="en"><title>Lab</title></head></html>');
    const { html } = await readPage(pathToFileURL(file));
    expect(html.toString()).toBe(
      '<html><head lang="en"><meta name="fardel-live" content="1"><title>Lab</title></head></html>',
    );
  });

  it("says what to do when the page was not built", async () => {
    const error = await readPage(pathToFileURL(join(folder, "none.html"))).catch((one) => one);
    expect(error).toBeInstanceOf(LabServerError);
    expect(error).toMatchObject({ code: "page-missing" });
    expect(error.message).toContain("npm run build");
  });
});
