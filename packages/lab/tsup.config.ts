import { defineConfig } from "tsup";

export default defineConfig({
  entry: ["src/node.ts"],
  format: ["esm", "cjs"],
  target: "es2022",
  platform: "node",
  tsconfig: "tsconfig.node.json",
  // Types of other packages come from their build, as for a user; the sources are for the checks.
  dts: { compilerOptions: { paths: {} } },
  // Where the page lies is told by the file itself, in both formats.
  shims: true,
  sourcemap: true,
  // The page lies there already: vite goes first.
  clean: false,
});
