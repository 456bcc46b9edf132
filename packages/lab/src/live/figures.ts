/** Figures for people: English, with units, to about three digits. All pure. */

const COUNT = new Intl.NumberFormat("en-GB");

/** `12,458` */
export function count(value: number): string {
  return COUNT.format(value);
}

/** `1 peer`, `2 peers`. */
export function counted(value: number, one: string, many = `${one}s`): string {
  return `${count(value)} ${value === 1 ? one : many}`;
}

/** `840 bytes`, `16.4 kB`; powers of 1000. */
export function byteSize(value: number): string {
  if (value < 1000) return counted(Math.round(value), "byte");
  return value < 1e6 ? `${significant(value / 1000)} kB` : `${significant(value / 1e6)} MB`;
}

/** `84.2 kB/s` */
export function byteRate(value: number): string {
  if (value < 1000) return `${significant(value)} B/s`;
  return value < 1e6 ? `${significant(value / 1000)} kB/s` : `${significant(value / 1e6)} MB/s`;
}

/** `0.3 ms`, `12.4 ms`, `3.1 s`, `4 min 12 s`, `2 h 5 min`. */
export function duration(us: number): string {
  if (us === 0) return "0 s";
  if (us < 1e6) return `${significant(us / 1000)} ms`;
  if (us < 120e6) return `${significant(us / 1e6)} s`;
  const seconds = Math.round(us / 1e6);
  if (seconds < 7200) return `${Math.floor(seconds / 60)} min ${seconds % 60} s`;
  return `${Math.floor(seconds / 3600)} h ${Math.floor((seconds % 3600) / 60)} min`;
}

/** The same in whole seconds, for what changes all the time. */
export function elapsed(us: number): string {
  return duration(us < 120e6 ? Math.floor(us / 1e6) * 1e6 : us);
}

/** `just now`, `4 s ago`. */
export function ago(us: number): string {
  return us < 1.5e6 ? "just now" : `${elapsed(us)} ago`;
}

/** `19.8 %` */
export function percent(share: number): string {
  return `${significant(share * 100)} %`;
}

/** Three digits at most, without zeros that say nothing. */
function significant(value: number): string {
  if (value >= 100) return String(Math.round(value));
  return String(Number(value.toPrecision(3)));
}
