/** Numbers as people read them. Everything that the page writes in figures goes through here. */

/** `812 µs`, `12.4 ms`, `1.203 s`, `2 min 5 s`. @param us - microseconds; `NaN`: never */
export function timeText(us: number): string {
  if (!Number.isFinite(us)) return "never";
  const size = Math.abs(us);
  if (size < 1_000) return `${Math.round(us)} µs`;
  if (size < 100_000) return `${(us / 1_000).toFixed(1)} ms`;
  if (size < 10_000_000) return `${(us / 1_000_000).toFixed(3)} s`;
  if (size < 119_500_000) return `${(us / 1_000_000).toFixed(1)} s`;
  const seconds = Math.round(us / 1_000_000);
  const minutes = Math.floor(seconds / 60);
  return `${minutes} min ${seconds - minutes * 60} s`;
}

/** The same for a screen reader, which says `s` as a letter. */
export function spokenTime(us: number): string {
  if (!Number.isFinite(us)) return "never";
  if (us < 1_000_000) return `${trimmed(us / 1_000)} milliseconds`;
  return `${trimmed(us / 1_000_000)} seconds`;
}

function trimmed(value: number): string {
  return String(Number(value.toPrecision(4)));
}

/** `250 bytes`, `12.0 kB`, `1.20 MB`: thousands, not 1,024. */
export function bytesText(bytes: number): string {
  if (bytes === 1) return "1 byte";
  if (bytes < 10_000) return `${grouped(bytes)} bytes`;
  if (bytes < 999_950) return `${(bytes / 1_000).toFixed(1)} kB`;
  return `${(bytes / 1_000_000).toFixed(2)} MB`;
}

export function rateText(bytesPerS: number): string {
  if (!Number.isFinite(bytesPerS)) return "without limit";
  return `${bytesText(Math.round(bytesPerS))}/s`;
}

/** @param share - 0..1 */
export function shareText(share: number): string {
  if (!Number.isFinite(share)) return "none";
  const percent = share * 100;
  return `${percent !== 0 && Math.abs(percent) < 10 ? percent.toFixed(1) : Math.round(percent)} %`;
}

/** `12,345` */
export function grouped(value: number): string {
  return Math.round(value).toLocaleString("en");
}

/** `1 fragment`, `2 fragments` */
export function counted(count: number, one: string, many = `${one}s`): string {
  return `${grouped(count)} ${count === 1 ? one : many}`;
}
