/** Spread of the first query, milliseconds; PROTOCOL.md, section 15.2. */
export const SPREAD_FIRST_MS = 100;
/** Up to here it doubles with each query, whatever comes; and it does not fall below it again. */
export const SPREAD_RAMP_MS = 400;
export const SPREAD_MS_MAX = 3200;
/** More than one answer in so many milliseconds: too dense for boards that do not hear each other. */
const DENSE_MS = 25;
/** Fewer than one answer in so many milliseconds. */
const SPARSE_MS = 100;

/**
 * The spread of the next query.
 *
 * Few answers may mean few boards, or so many at once that they destroy each other's: of 500 boards that do
 * not hear each other none is heard within 100 ms (simulated). So it doubles first, and silence counts only then.
 */
export function adaptSpread(spreadMs: number, answers: number): number {
  if (spreadMs < SPREAD_RAMP_MS) return spreadMs * 2;
  if (answers * DENSE_MS > spreadMs) return Math.min(SPREAD_MS_MAX, spreadMs * 2);
  if (answers * SPARSE_MS < spreadMs) return Math.max(SPREAD_RAMP_MS, spreadMs / 2);
  return spreadMs;
}
