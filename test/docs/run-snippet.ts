import { spawnSync } from "node:child_process";
import { writeFileSync } from "node:fs";
import { join } from "node:path";
import { build } from "esbuild";
import { root } from "./markdown.js";

/**
 * Runs a program from a document as a reader would: as a module of its own that imports the packages
 * by their names.
 *
 * @param folder - an empty folder for what is built
 */
export async function runSnippet(code: string, folder: string) {
  const { outputFiles } = await build({
    stdin: {
      contents: code,
      loader: "ts",
      resolveDir: join(root, "examples"),
      sourcefile: "snippet.ts",
    },
    tsconfig: join(root, "tsconfig.json"),
    bundle: true,
    platform: "node",
    format: "esm",
    target: "node20",
    write: false,
    logLevel: "silent",
  });
  const file = join(folder, "snippet.mjs");
  writeFileSync(file, outputFiles[0]?.contents ?? "");
  const { status, stdout, stderr } = spawnSync(process.execPath, [file], {
    encoding: "utf8",
    timeout: 30_000,
  });
  return { status, stdout, stderr };
}
