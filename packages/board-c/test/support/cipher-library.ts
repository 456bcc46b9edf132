import { spawnSync } from "node:child_process";

/**
 * Whether tests of `examples/crypto-mbedtls.c` have to be left out, because the library is not installed. Says
 * so. In CI nothing is left out: there it throws.
 */
export function lacksCipherLibrary(): boolean {
  const words = ["-E", "-include", "mbedtls/ccm.h", "-x", "c", "-"];
  const { status } = spawnSync("gcc", words, { input: "", stdio: ["pipe", "ignore", "ignore"] });
  if (status === 0) return false;
  const sentence = "Not installed: libmbedtls-dev. Get it: apt-get install libmbedtls-dev";
  if (process.env.CI) throw new Error(sentence);
  process.stderr.write(`Tests left out. ${sentence}\n`);
  return true;
}
