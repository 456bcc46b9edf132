import { readFileSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { dirname, join } from "node:path";
import { defineConfig } from "tsup";

const settings = { format: ["esm" as const], target: "node20", platform: "node" as const };

export default defineConfig([
  {
    ...settings,
    entry: ["src/main.ts"],
    sourcemap: true,
    // Not what the other one writes: the two run side by side.
    clean: ["!draw.js", "!THIRD-PARTY.txt"],
    // Loaded when a report is drawn, and only then.
    external: [/^\.\/draw\.js$/],
  },
  {
    ...settings,
    entry: { draw: "src/report/draw.ts" },
    noExternal: [/.*/],
    // Somebody else's code, for the most part: to be loaded, not to be read.
    minify: true,
    clean: false,
    env: { NODE_ENV: "production" },
    onSuccess: async () => writeFileSync("dist/THIRD-PARTY.txt", thirdPartyNotices()),
  },
]);

/** What the licences of the code inside of dist/draw.js want to be passed on with it. */
function thirdPartyNotices(): string {
  const echarts = dirname(createRequire(import.meta.url).resolve("echarts/package.json"));
  const ofEcharts = createRequire(join(echarts, "package.json"));
  const besides = (name: string, file: string) => join(dirname(ofEcharts.resolve(name)), file);
  const parts = [
    ["echarts", join(echarts, "NOTICE"), join(echarts, "LICENSE")],
    ["d3, parts of which are in echarts", join(echarts, "licenses", "LICENSE-d3")],
    ["zrender", besides("zrender/package.json", "LICENSE")],
    ["tslib", besides("tslib", "LICENSE.txt")],
  ];
  const texts = parts.map(([name, ...files]) => {
    const read = files.map((file) => readFileSync(file, "utf8").trim()).join("\n\n");
    return `${"-".repeat(80)}\n${name}\n${"-".repeat(80)}\n\n${read}\n`;
  });
  return `The file draw.js of this folder contains, minified, code of others under these licences:\n\n${texts.join("\n")}`;
}
