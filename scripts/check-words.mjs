// Refuses what has no place in a published file: paths of somebody's machine, hosts of a package
// registry, folders outside the repository, and file names that say nothing.

import { spawnSync } from "node:child_process";
import { existsSync, readFileSync, statSync } from "node:fs";
import { basename, join } from "node:path";
import { root } from "./workspace.mjs";

// Put together from pieces, so that this file does not match itself.
const slash = "/";
const rules = [
  {
    what: "an absolute path of somebody's machine",
    pattern: new RegExp(
      `(?<![\\w.@*}\\])-])${slash}(?:home|work|root|Users)${slash}[\\w.]|[A-Z]:\\\\Users\\\\`,
    ),
  },
  {
    what: "a folder outside the repository",
    pattern: new RegExp(`\\.\\.${slash}(?:shared)\\b|(?<![\\w])\\.(?:library)${slash}`),
  },
  {
    what: "the host of a package registry",
    pattern: /\bregistry\.[a-z0-9-]+\.[a-z]{2,}\b|\bnpmjs\.(?:org|com)\b|\bregistry=http/i,
  },
  {
    what: "an address in the lock file",
    files: /(?:^|\/)(?:pnpm-lock\.yaml|package-lock\.json)$/,
    pattern: /\b(?:tarball|resolved)"?:\s*"?https?:/,
  },
];
const emptyNames = /^(?:utils?|helpers?|manager|data2)\./i;

const listing = spawnSync("git", ["ls-files", "-z", "--cached", "--others", "--exclude-standard"], {
  cwd: root,
  encoding: "utf8",
});
if (listing.status !== 0) {
  console.error("git could not list the files. Run this in a clone of the repository.");
  process.exit(1);
}
const files = listing.stdout.split("\0").filter((file) => file !== "" && isFile(join(root, file)));

const faults = [];
for (const file of files) {
  if (emptyNames.test(basename(file))) faults.push(`${file}: a file name that says nothing`);
  const bytes = readFileSync(join(root, file));
  if (bytes.includes(0)) continue; // not text
  for (const [index, line] of bytes.toString("utf8").split("\n").entries()) {
    for (const rule of rules) {
      if (rule.files !== undefined && !rule.files.test(file)) continue;
      if (rule.pattern.test(line)) {
        faults.push(`${file}:${index + 1}: ${rule.what}: ${line.trim().slice(0, 120)}`);
      }
    }
  }
}
for (const fault of faults) console.error(fault);
console.log(`${files.length} files looked at, ${faults.length} faults.`);
process.exit(faults.length === 0 ? 0 : 1);

function isFile(path) {
  return existsSync(path) && statSync(path).isFile();
}
