/** A uniform unsigned 32-bit number from the platform's cryptographic source. */
export function cryptoRandom(): number {
  return crypto.getRandomValues(new Uint32Array(1))[0] as number;
}
