/** Unless if_tsresol says otherwise: microseconds. */
export const RESOLUTION_DEFAULT = 6;
const RESOLUTION_BINARY = 0x80;

/**
 * The time of a block, in microseconds since 1970.
 * @param resolution - if_tsresol: a power of ten, or with its highest bit set of two
 * @param offsetS - if_tsoffset, seconds
 * @returns `undefined`: no number of ours can hold it
 */
export function timeUs(
  high: number,
  low: number,
  resolution: number,
  offsetS: number,
): number | undefined {
  const us =
    resolution === RESOLUTION_DEFAULT
      ? high * 2 ** 32 + low
      : scaled((BigInt(high) << 32n) | BigInt(low), resolution);
  const sum = us + offsetS * 1e6;
  return Number.isSafeInteger(sum) ? sum : undefined;
}

function scaled(ticks: bigint, resolution: number): number {
  const exponent = BigInt(resolution & ~RESOLUTION_BINARY);
  const perSecond = resolution & RESOLUTION_BINARY ? 1n << exponent : 10n ** exponent;
  return Number((ticks * 1_000_000n) / perSecond);
}
