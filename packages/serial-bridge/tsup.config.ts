import { defineConfig } from "tsup";

export default defineConfig({
  entry: ["src/index.ts", "src/node.ts", "src/web.ts"],
  format: ["esm", "cjs"],
  target: "es2022",
  platform: "neutral",
  // The node entry imports it; the package manager brings it.
  external: ["serialport", /^node:/],
  // Types of other packages come from their build, as for a user; the sources are for the checks.
  // Node's types are for the node entry alone; its declarations show none of them.
  dts: { compilerOptions: { paths: {}, types: ["node"] } },
  sourcemap: true,
  clean: true,
});
