import { fileURLToPath } from "node:url";
import { defineConfig } from "vite";
import { viteSingleFile } from "vite-plugin-singlefile";

/** Sources of the neighbours instead of what they were last built to. */
function source(path: string): string {
  return fileURLToPath(new URL(`../${path}`, import.meta.url));
}

/**
 * One file that holds everything, the worker too: it opens by a double click, is served from any
 * folder, and needs nothing from elsewhere.
 */
export default defineConfig({
  base: "./",
  plugins: [viteSingleFile({ removeViteModuleLoader: true })],
  oxc: { jsx: { runtime: "automatic", importSource: "preact" } },
  resolve: {
    alias: [
      { find: "@fardel/core/wire", replacement: source("core/src/wire.ts") },
      { find: "@fardel/serial-bridge/web", replacement: source("serial-bridge/src/web.ts") },
      { find: /^@fardel\/([a-z-]+)$/, replacement: source("$1/src/index.ts") },
    ],
  },
  build: {
    target: "es2022",
    // The charts alone are more than the usual limit, and one file is what is wanted.
    chunkSizeWarningLimit: 4_000,
    reportCompressedSize: false,
  },
  // A classic worker: as a module it may not begin from a file on disk.
  worker: { format: "iife" },
});
