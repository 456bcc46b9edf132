// What the workspace consists of.

import { existsSync, readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

/** Absolute path of the repository, without a slash at the end. */
export const root = fileURLToPath(new URL("..", import.meta.url)).replace(/[/\\]$/, "");

/** Private folders of the workspace, as in pnpm-workspace.yaml, beside everything in packages/. */
const privateFolders = ["examples", "test", "bench"];

/** @param {string} folder - relative to the root */
export function readManifest(folder) {
  return JSON.parse(readFileSync(join(root, folder, "package.json"), "utf8"));
}

/** Every folder with a manifest but the root, relative to it. */
export function workspaceFolders() {
  const packages = readdirSync(join(root, "packages"))
    .sort()
    .map((name) => `packages/${name}`);
  return [...packages, ...privateFolders].filter((folder) =>
    existsSync(join(root, folder, "package.json")),
  );
}

/**
 * The packages that are published, each after those of the workspace that it depends on.
 * @returns {{ folder: string, name: string, dependencies: string[] }[]} dependencies by name
 */
export function publicPackages() {
  const manifests = workspaceFolders()
    .map((folder) => ({ folder, ...readManifest(folder) }))
    .filter((manifest) => manifest.private !== true);
  const byName = new Map(manifests.map((manifest) => [manifest.name, manifest]));
  const ordered = new Map();
  const visit = (name) => {
    if (ordered.has(name)) return;
    const { folder, ...manifest } = byName.get(name);
    const { dependencies, peerDependencies, devDependencies } = manifest;
    const all = { ...dependencies, ...peerDependencies, ...devDependencies };
    const own = Object.keys(all).filter((dependency) => byName.has(dependency));
    own.forEach(visit);
    ordered.set(name, { folder, name, dependencies: own });
  };
  for (const name of byName.keys()) visit(name);
  return [...ordered.values()];
}
