import { defineConfig } from "tsup";

export default defineConfig({
  entry: ["src/index.ts", "src/conformance.ts", "src/wire.ts"],
  format: ["esm", "cjs"],
  target: "es2022",
  platform: "neutral",
  // `await using` needs this library in the consumer's program, whatever its target.
  dts: { banner: '/// <reference lib="esnext.disposable" />' },
  sourcemap: true,
  clean: true,
});
