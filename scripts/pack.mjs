// Packs the published packages as the registry would get them.

import { spawnSync } from "node:child_process";
import { mkdirSync, readdirSync } from "node:fs";
import { join } from "node:path";
import { setUp } from "./setup.mjs";
import { publicPackages, readManifest, root } from "./workspace.mjs";

/**
 * @param {string} target - folder for the tarballs
 * @returns {{ folder: string, name: string, tarball: string }[]} in order of dependency
 */
export function packPackages(target) {
  setUp({ build: true });
  const pnpm = readManifest(".").packageManager;
  return publicPackages().map(({ folder, name }) => {
    const own = join(target, folder.replaceAll("/", "-"));
    mkdirSync(own, { recursive: true });
    const command = `npx --yes --prefer-offline ${pnpm} pack --pack-destination "${own}"`;
    const result = spawnSync(command, { cwd: join(root, folder), shell: true, encoding: "utf8" });
    const [tarball] = readdirSync(own);
    if (result.status !== 0 || tarball === undefined) {
      throw new Error(
        `${folder} could not be packed (${command}):\n${result.stdout}${result.stderr}`,
      );
    }
    return { folder, name, tarball: join(own, tarball) };
  });
}
