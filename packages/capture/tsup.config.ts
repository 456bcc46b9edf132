import { defineConfig } from "tsup";

export default defineConfig({
  entry: ["src/index.ts"],
  format: ["esm", "cjs"],
  target: "es2022",
  platform: "neutral",
  // Types of other packages come from their build, as for a user; the sources are for the checks.
  dts: { compilerOptions: { paths: {} } },
  sourcemap: true,
  clean: true,
});
