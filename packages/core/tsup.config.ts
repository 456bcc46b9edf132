import { defineConfig } from "tsup";

export default defineConfig({
  entry: ["src/index.ts", "src/conformance.ts"],
  format: ["esm", "cjs"],
  target: "es2022",
  platform: "neutral",
  dts: true,
  sourcemap: true,
  clean: true,
});
