// Brings a clone to the point where its programs run: installs the dependencies and, with
// `--build`, builds the packages. Does only what is missing or out of date. Plain Node without
// dependencies, since nothing else is there on a first run. All it says goes to stderr.

import { spawnSync } from "node:child_process";
import {
  existsSync,
  mkdirSync,
  readFileSync,
  realpathSync,
  rmSync,
  statSync,
  writeFileSync,
} from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { digest, filesUnder } from "./digest.mjs";
import { publicPackages, readManifest, root, workspaceFolders } from "./workspace.mjs";

const stampFolder = join(root, "node_modules", ".fardel");
const lockFile = join(root, ".setup-lock");

/** A failure with a plain sentence for the person at the terminal; needs no stack. */
export class SetupError extends Error {}

/**
 * @param {{ build?: boolean }} [options] - `build`: bring the packages' `dist` up to date as well
 * @throws {SetupError} when a step fails; its message says what to do
 */
export function setUp({ build = false } = {}) {
  checkNode();
  const installStamp = digest(installInputs(), `${process.platform}-${process.arch}`);
  if (!isCurrent("install", installStamp)) withLock(() => install(installStamp));
  if (!build) return;
  const stamps = new Map();
  for (const { folder, name, dependencies } of publicPackages()) {
    // What was installed decides which compiler builds; a dependency's types end up in one's own.
    const salt = [installStamp, ...dependencies.map((dependency) => stamps.get(dependency))].join();
    const stamp = digest(buildInputs(folder), salt);
    stamps.set(name, stamp);
    if (!isBuilt(folder, stamp)) withLock(() => buildPackage(folder, name, stamp));
  }
}

function checkNode() {
  const [major = 0, minor = 0] = process.versions.node.split(".").map(Number);
  if (major < 20 || (major === 20 && minor < 19)) {
    throw new SetupError(
      `Node ${process.versions.node} is too old. Install Node 20.19 or later, then run this again.`,
    );
  }
}

function installInputs() {
  const manifests = workspaceFolders().map((folder) => join(folder, "package.json"));
  return ["package.json", "pnpm-lock.yaml", "pnpm-workspace.yaml", ...manifests];
}

function buildInputs(folder) {
  const sources = filesUnder(join(folder, "src")).filter((file) => !file.endsWith(".test.ts"));
  const settings = [
    "tsup.config.ts",
    "vite.config.ts",
    "index.html",
    "tsconfig.json",
    "tsconfig.node.json",
  ].map((file) => join(folder, file));
  return ["tsconfig.base.json", ...settings, ...sources];
}

function install(stamp) {
  if (isCurrent("install", stamp)) return;
  removeStamp("install");
  const pnpm = readManifest(".").packageManager;
  const command = `npx --yes --prefer-offline ${pnpm} install --frozen-lockfile`;
  note(`Set-up: installing dependencies (${command}) …`);
  // CI=true: pnpm asks nothing and replaces a node_modules that another tool has made.
  run("the dependencies could not be installed", command, [], {
    shell: true,
    env: { ...process.env, CI: "true", npm_config_loglevel: "error" },
    advice:
      "Check that this machine reaches the npm registry, then run this again. If a package.json " +
      `has changed, bring the lock file up to date first: npx --yes ${pnpm} install`,
  });
  writeStamp("install", stamp);
}

function buildPackage(folder, name, stamp) {
  if (isBuilt(folder, stamp)) return;
  note(`Set-up: building ${name} …`);
  removeStamp(folder);
  for (const command of builders(folder)) {
    run(`${name} could not be built`, process.execPath, command, {
      cwd: join(root, folder),
      advice: `Mend what the compiler reports in ${folder}, then run this again.`,
    });
  }
  writeStamp(folder, stamp);
}

/** A page is put together, a library is compiled: what its folder is set up for says which, or both. */
function builders(folder) {
  const vite = join(root, folder, "node_modules/vite/bin/vite.js");
  const tsup = join(root, "node_modules/tsup/dist/cli-default.js");
  return [
    ["vite.config.ts", [vite, "build", "--logLevel", "warn"]],
    ["tsup.config.ts", [tsup]],
  ]
    .filter(([settings]) => existsSync(join(root, folder, settings)))
    .map(([, command]) => command);
}

/** Runs quietly; shows what the command printed only when it fails. */
function run(fault, command, args, { advice, ...options }) {
  const result = spawnSync(command, args, {
    cwd: root,
    encoding: "utf8",
    maxBuffer: 2 ** 26,
    stdio: ["ignore", "pipe", "pipe"],
    ...options,
  });
  if (result.status === 0) return;
  process.stderr.write(`${result.stdout ?? ""}${result.stderr ?? ""}`);
  const reason = result.error === undefined ? "" : ` (${result.error.message})`;
  throw new SetupError(`Set-up failed: ${fault}${reason}. ${advice}`);
}

/** One set-up at a time: a second one waits for the first and then finds its work done. */
function withLock(work) {
  let waiting = false;
  while (!tryLock()) {
    if (!waiting) note("Set-up: waiting for another set-up of this folder …");
    waiting = true;
    Atomics.wait(new Int32Array(new SharedArrayBuffer(4)), 0, 0, 100);
  }
  try {
    work();
  } finally {
    rmSync(lockFile, { force: true });
  }
}

function tryLock() {
  try {
    writeFileSync(lockFile, String(process.pid), { flag: "wx" });
    return true;
  } catch (error) {
    if (error.code !== "EEXIST") throw error;
  }
  // A set-up that was killed leaves its lock behind.
  const owner = Number(readFileSync(lockFile, { encoding: "utf8", flag: "a+" }));
  const ageMs = Date.now() - (statSync(lockFile, { throwIfNoEntry: false })?.mtimeMs ?? Date.now());
  if (owner > 0 ? !isRunning(owner) : ageMs > 5000) rmSync(lockFile, { force: true });
  return false;
}

function isRunning(processId) {
  try {
    process.kill(processId, 0);
    return true;
  } catch (error) {
    return error.code === "EPERM";
  }
}

function stampFile(name) {
  return join(stampFolder, `${name.replaceAll(/[^a-z0-9-]/gi, "_")}.stamp`);
}

function isCurrent(name, stamp) {
  const file = stampFile(name);
  return existsSync(file) && readFileSync(file, "utf8") === stamp;
}

function isBuilt(folder, stamp) {
  return isCurrent(folder, stamp) && existsSync(join(root, folder, "dist"));
}

/** Before the work starts, so that work which breaks off half-way does not count as done. */
function removeStamp(name) {
  rmSync(stampFile(name), { force: true });
}

function writeStamp(name, stamp) {
  mkdirSync(stampFolder, { recursive: true });
  writeFileSync(stampFile(name), stamp);
}

function note(line) {
  process.stderr.write(`${line}\n`);
}

/** Runs `work`; a set-up failure ends the process with its sentence and exit code 1. */
export function orExit(work) {
  try {
    return work();
  } catch (error) {
    if (!(error instanceof SetupError)) throw error;
    note(error.message);
    process.exit(1);
  }
}

const isProgram =
  process.argv[1] !== undefined &&
  realpathSync(process.argv[1]) === realpathSync(fileURLToPath(import.meta.url));
if (isProgram) {
  orExit(() => setUp({ build: process.argv.includes("--build") }));
}
