/** Uniform unsigned 32-bit numbers of the platform's cryptographic source. */
export function platformRandom(): number {
  return crypto.getRandomValues(new Uint32Array(1))[0]!;
}
