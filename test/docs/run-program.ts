import { spawnSync } from "node:child_process";
import { fileURLToPath } from "node:url";

const root = fileURLToPath(new URL("../..", import.meta.url));

/**
 * Runs a TypeScript program of this repository as a process of its own, against the sources: for
 * tests. With the environment of a log: no terminal, no colour.
 *
 * @param file - relative to the root of the repository
 */
export function runProgram(file: string, args: readonly string[] = []) {
  const tsx = "node_modules/tsx/dist/cli.mjs";
  const { status, stdout, stderr } = spawnSync(
    process.execPath,
    [tsx, "--tsconfig", "tsconfig.json", file, ...args],
    {
      cwd: root,
      encoding: "utf8",
      env: { ...process.env, NO_COLOR: "1", FORCE_COLOR: undefined },
      timeout: 50_000,
    },
  );
  return { status, stdout, stderr };
}
