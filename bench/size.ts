import { fileURLToPath } from "node:url";
import { gzipSync } from "node:zlib";
import { build } from "esbuild";
import type { Row } from "./benchmark.js";

const ENTRY = fileURLToPath(new URL("../packages/core/src/index.ts", import.meta.url));

export const size = {
  name: "size",
  title: "What a web page downloads for the whole of @fardel/core",
  notes: [
    "minifiedBytes  one ES module, by esbuild",
    "gzippedBytes   the same, gzip level 9",
    "bar            at most so many bytes gzipped",
  ],
  async *run(): AsyncIterable<Row> {
    const { outputFiles } = await build({
      entryPoints: [ENTRY],
      bundle: true,
      minify: true,
      format: "esm",
      target: "es2022",
      write: false,
    });
    const [bundle] = outputFiles;
    if (!bundle) throw new Error("esbuild gave no output.");
    yield {
      bench: "size",
      entry: "@fardel/core",
      minifiedBytes: bundle.contents.length,
      gzippedBytes: gzipSync(bundle.contents, { level: 9 }).length,
      bar: 12_288,
    };
  },
};
