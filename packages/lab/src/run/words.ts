/** `12,458 bytes` */
export function inBytes(bytes: number): string {
  return bytes === 1 ? "1 byte" : `${grouped(bytes)} bytes`;
}

/** `0.312 s`, or milliseconds where that says more */
export function inSeconds(us: number): string {
  if (us < 100_000) return `${(us / 1e3).toFixed(1)} ms`;
  return us < 10e6 ? `${(us / 1e6).toFixed(2)} s` : `${(us / 1e6).toFixed(1)} s`;
}

/** `1 board`, `1,200 boards` */
export function counted(count: number, thing: string): string {
  return `${grouped(count)} ${thing}${count === 1 ? "" : "s"}`;
}

export function capitalised(words: string): string {
  return words.charAt(0).toUpperCase() + words.slice(1);
}

/** Not by locale: the same run has the same words everywhere. */
function grouped(value: number): string {
  return String(value).replace(/\B(?=(\d{3})+$)/g, ",");
}
