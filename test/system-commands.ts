import { spawnSync } from "node:child_process";

/** Commands of the system that tests use, and the Debian packages that bring them. */
const PACKAGES = {
  socat: "socat",
  spin: "spin",
  gcc: "gcc libc6-dev",
  clang: "clang",
  "wasm-ld": "lld",
  "powerpc-linux-gnu-gcc": "gcc-powerpc-linux-gnu libc6-dev-powerpc-cross",
  "qemu-ppc": "qemu-user",
  make: "make",
  "arm-none-eabi-gcc": "gcc-arm-none-eabi",
  "riscv64-unknown-elf-gcc": "gcc-riscv64-unknown-elf",
  "qemu-system-arm": "qemu-system-arm",
  cppcheck: "cppcheck",
  chromium: "chromium",
  tshark: "tshark",
} as const;

export type SystemCommand = keyof typeof PACKAGES;

/**
 * Whether tests that need these commands have to be left out because one is missing. Says which, and
 * how to get it. In CI nothing is left out: there it throws.
 *
 * ```ts
 * describe.skipIf(lacksCommands("socat"))("over a pair of pseudo-terminals", …);
 * ```
 */
export function lacksCommands(...commands: SystemCommand[]): boolean {
  const missing = commands.filter(
    (command) => spawnSync("sh", ["-c", `command -v ${command}`]).status !== 0,
  );
  if (missing.length === 0) return false;
  const packages = missing.map((command) => PACKAGES[command]).join(" ");
  const sentence = `Not installed: ${missing.join(", ")}. Get it: apt-get install ${packages}`;
  if (process.env.CI) throw new Error(sentence);
  process.stderr.write(`Tests left out. ${sentence}\n`);
  return true;
}
