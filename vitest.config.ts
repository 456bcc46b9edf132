import { fileURLToPath } from "node:url";
import { defineConfig } from "vitest/config";

const packages = fileURLToPath(new URL("./packages/", import.meta.url));

export default defineConfig({
  resolve: {
    // Tests run against the TypeScript sources of every workspace package: no build first.
    alias: [
      { find: /^@fardel\/([^/]+)$/, replacement: `${packages}$1/src/index.ts` },
      { find: /^@fardel\/([^/]+)\/([^/]+)$/, replacement: `${packages}$1/src/$2.ts` },
    ],
  },
  test: {
    include: ["packages/*/{src,test}/**/*.test.ts", "{examples,test,bench}/**/*.test.ts"],
    exclude: ["**/node_modules/**", "**/dist/**"],
    globalSetup: ["test/announce-node.ts"],
    // All cores: with two, the usual "all but one" would be one.
    maxWorkers: "100%",
    testTimeout: 60_000,
    hookTimeout: 60_000,
  },
});
