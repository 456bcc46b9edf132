// Figures as a person reads them, the same in every locale.

/** `12345` as `12,345`. */
export function count(value: number): string {
  return Math.round(value)
    .toString()
    .replace(/\B(?=(?:\d{3})+$)/g, ",");
}

/** `1 datagram`, `2 datagrams`. */
export function counted(value: number, noun: string): string {
  return `${count(value)} ${noun}${value === 1 ? "" : "s"}`;
}

/** Microseconds as seconds: `0.123 s`. */
export function seconds(us: number): string {
  return `${(us / 1e6).toFixed(3)} s`;
}

/** Microseconds as milliseconds: `12.3 ms`. */
export function milliseconds(us: number): string {
  return `${(us / 1e3).toFixed(1)} ms`;
}

/** A share as a whole percentage: `37 %`; 0 of 0 is all of it. */
export function percent(part: number, whole: number): string {
  const share = whole === 0 ? 1 : part / whole;
  // 100 % is said of the whole only.
  return `${share < 1 ? Math.min(99, Math.round(share * 100)) : Math.round(share * 100)} %`;
}
