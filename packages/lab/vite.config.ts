import { existsSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";
import { defineConfig, type Plugin } from "vite";
import { viteSingleFile } from "vite-plugin-singlefile";

/** Sources of the neighbours instead of what they were last built to. */
function source(path: string): string {
  return fileURLToPath(new URL(`../${path}`, import.meta.url));
}

type Resolver = Pick<NodeJS.Require, "resolve">;

/** The folder of a package, as another one sees it; not each lets its package.json be asked for. */
function folderOf(name: string, from: Resolver): string {
  let folder = dirname(from.resolve(name));
  const isRoot = (): boolean => {
    const file = join(folder, "package.json");
    return existsSync(file) && JSON.parse(readFileSync(file, "utf8")).name === name;
  };
  while (!isRoot()) {
    if (folder === dirname(folder)) throw new Error(`The folder of ${name} was not found.`);
    folder = dirname(folder);
  }
  return folder;
}

/** What the licences of the code inside of the page want to be passed on with it. */
function thirdPartyNotices(): string {
  const own = createRequire(import.meta.url);
  const echarts = folderOf("echarts", own);
  const signals = folderOf("@preact/signals", own);
  const ofEcharts = createRequire(join(echarts, "package.json"));
  const ofSignals = createRequire(join(signals, "package.json"));
  const parts = [
    ["echarts", join(echarts, "NOTICE"), join(echarts, "LICENSE")],
    ["d3, parts of which are in echarts", join(echarts, "licenses", "LICENSE-d3")],
    ["zrender", join(folderOf("zrender", ofEcharts), "LICENSE")],
    ["tslib", join(folderOf("tslib", ofEcharts), "LICENSE.txt")],
    ["preact", join(folderOf("preact", own), "LICENSE")],
    ["@preact/signals", join(signals, "LICENSE")],
    ["@preact/signals-core", join(folderOf("@preact/signals-core", ofSignals), "LICENSE")],
  ];
  return parts
    .map(([name, ...files]) => {
      const texts = files.map((file) => readFileSync(file, "utf8").trim());
      return [`---- ${name} ----`, ...texts].join("\n\n");
    })
    .join("\n\n");
}

const NOTICES_ID = "virtual:third-party-notices";

/** The page is passed on as one file, so the notices are in it: the page "About" shows them. */
function noticesPlugin(): Plugin {
  return {
    name: "third-party-notices",
    resolveId: (id) => (id === NOTICES_ID ? `\0${NOTICES_ID}` : undefined),
    load: (id) =>
      id === `\0${NOTICES_ID}`
        ? `export const notices = ${JSON.stringify(thirdPartyNotices())};`
        : undefined,
  };
}

/**
 * One file that holds everything, the worker too: it opens by a double click, is served from any
 * folder, and needs nothing from elsewhere.
 */
export default defineConfig({
  base: "./",
  plugins: [noticesPlugin(), viteSingleFile({ removeViteModuleLoader: true })],
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
