/** Sixteen bytes of an IPv6 address. @param text - valid, without a zone (`%eth0`) */
export function ipv6Bytes(text: string): Uint8Array {
  const [head = "", tail] = text.split("::");
  const before = groupBytes(head);
  const after = groupBytes(tail ?? "");
  const bytes = new Uint8Array(16);
  bytes.set(before);
  // Without "::" there is nothing after it, and `before` is all.
  bytes.set(after, 16 - after.length);
  return bytes;
}

/** Bytes of groups with colons between them; the last two groups may be an IPv4 address. */
function groupBytes(text: string): number[] {
  if (text === "") return [];
  return text.split(":").flatMap((group) => {
    if (group.includes(".")) return group.split(".").map(Number);
    const value = Number.parseInt(group, 16);
    return [value >> 8, value & 0xff];
  });
}

/**
 * The text of sixteen bytes: lower case, no leading zeros, the longest run of at least two zero
 * groups (the first of equals) as `::`.
 * @see RFC 5952, section 4
 */
export function ipv6Text(bytes: Uint8Array): string {
  const groups = Array.from(
    { length: 8 },
    (_, i) => ((bytes[2 * i] as number) << 8) | (bytes[2 * i + 1] as number),
  );
  let start = 0;
  let length = 1;
  for (let from = 0; from < 8; from++) {
    let to = from;
    while (groups[to] === 0) to++;
    if (to - from > length) [start, length] = [from, to - from];
  }
  const text = (part: readonly number[]) => part.map((group) => group.toString(16)).join(":");
  if (length < 2) return text(groups);
  return `${text(groups.slice(0, start))}::${text(groups.slice(start + length))}`;
}
